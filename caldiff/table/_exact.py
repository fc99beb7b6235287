"""TEMPORARY stand-in until caldiff.definition.scaling is there."""
from fractions import Fraction
from caldiff.definition.model import *
from caldiff.errors import EncodeError
def to_physical(scaling, raw):
    c = scaling.conversion
    v = Fraction(raw)
    if isinstance(c, Linear): return v*c.factor+c.offset
    if isinstance(c, Rational) and c.gives=="physical":
        a,b,cc=c.numerator; d,e,f=c.denominator
        return (a*v*v+b*v+cc)/(d*v*v+e*v+f)
    return v
def to_raw(scaling, physical, *, type):
    c = scaling.conversion
    if isinstance(c, Linear): v=(physical-c.offset)/c.factor
    else: v=physical
    if type.kind=="f": return float(v)
    r=round(v)
    if not type.lowest<=r<=type.highest: raise EncodeError("range")
    return r
def shown(scaling, raw): return f"{float(to_physical(scaling, raw)):g}"
def shown_number(value, decimals): return f"{float(value):g}"
