from __future__ import annotations

from caldiff.definition.loader import normal_from_text

WREN = """
definition: 1
name: wren4-2.10
image: {start: 0x00800000, size: 1 MiB, byte_order: big, erased: 0xFF}
fits:
  - {at: 0x0080FF00, text: "WREN4 02.1?"}
  - {at: 0x00800000, bytes: "48 1F ?? 0?"}
  - {at: 0x0080FF20, text: ["ROW", "EU "]}
identity:
  calibration_id: {at: 0x0080FF10, text: 16}
  hardware: {at: 0x0080FF30, number: u32, byte_order: little}
  vin: {at: 0x0080FF40, text: 17, personal: true}
regions:
  - {name: program, at: 0x00810000, size: 448 KiB, role: code}
  - {name: calibration, at: 0x00880000, size: 256 KiB, role: calibration}
scalings:
  quarter_rpm: {unit: rpm, factor: 1/4, decimals: 0}
  half_degree: {unit: degCA, factor: 0.5, offset: -40, decimals: 1}
  mode: {names: {2: power, 0: off}}
  enables: {bits: {lambda_control: 0, fuel: {mask: 0x30, names: {0: petrol, 1: lpg}}}}
axes:
  speed_16: {at: 0x00881000, type: u16, count: 16, scaling: quarter_rpm, quantity: engine_speed}
  load_12: {at: 0x00881020, type: u8, count: 12, scaling: {unit: "%", factor: 1/2}, quantity: load, title: Load}
  temp_8: {at: 0x00881041, type: i8, count: {at: 0x00881040, type: u8, most: 8}}
  gear: {start: 1, step: 1, count: 3, quantity: gear}
tables:
  ignition_base: {at: 0x00881100, type: u8, x: speed_16, y: load_12, scaling: half_degree, limits: [-10, 45]}
  switches: {at: 0x00881430, type: u8, scaling: enables}
  dwell: {at: 0x00881310, type: u16, x: {at: 0x00881302, type: u8, count: 6}}
  label: {at: 0x00881420, text: 16}
  warmup:
    at: 0x00882000
    type: u16
    x: {type: i8, count: {type: u8, most: 8}, quantity: coolant_temperature}
    align: 2
checksums:
  - {name: calibration, over: [calibration], crc: CRC-32/ISO-HDLC, stored: {at: 0x008BFFFC, type: u32}}
"""


def test_a_definition_becomes_its_normal_form() -> None:
    normal = normal_from_text(WREN).normal
    assert normal["image"] == {"start": 0x800000, "size": 0x100000, "byte_order": "big"}
    assert normal["fits"] == [
        {"at": 0x800000, "any_of": [{"value": "481f0000", "mask": "ffff00f0"}]},
        {
            "at": 0x80FF00,
            "any_of": [{"value": "5752454e342030322e3100", "mask": "ffffffffffffffffffff00", "text": True}],
        },
        {
            "at": 0x80FF20,
            "any_of": [
                {"value": "455520", "mask": "ffffff", "text": True},
                {"value": "524f57", "mask": "ffffff", "text": True},
            ],
        },
    ]
    assert normal["scalings"]["half_degree"] == {
        "unit": "degCA",
        "decimals": 1,
        "linear": {"factor": "1/2", "offset": "-40"},
    }
    assert normal["scalings"]["mode"] == {"names": [[0, "off"], [2, "power"]]}
    assert normal["axes"]["gear"] == {"points": ["1", "2", "3"], "quantity": "gear"}
    assert normal["axes"]["temp_8"] == {
        "cells": {"at": 0x881041, "type": "i8", "byte_order": "big", "shape": [8], "strides": [1]},
        "count": {"at": 0x881040, "type": "u8", "byte_order": "big"},
    }
    assert normal["tables"]["ignition_base"] == {
        "kind": "map",
        "cells": {"at": 0x881100, "type": "u8", "byte_order": "big", "shape": [12, 16], "strides": [16, 1]},
        "axes": ["load_12", "speed_16"],
        "scaling": "half_degree",
        "limits": ["-10", "45"],
    }
    assert normal["tables"]["switches"]["kind"] == "flags"
    # a record at 0x882000: the count, then the breakpoints, then the values, each at an even address
    warmup = normal["tables"]["warmup"]
    assert warmup["axes"][0]["count"]["at"] == 0x882000
    assert warmup["axes"][0]["cells"]["at"] == 0x882002
    assert warmup["cells"]["at"] == 0x88200A
    assert "record" not in warmup
    assert normal["checksums"] == [
        {
            "name": "calibration",
            "crc": {
                "width": 32,
                "polynomial": 0x04C11DB7,
                "initial": 0xFFFFFFFF,
                "reflect_in": True,
                "reflect_out": True,
                "final_xor": 0xFFFFFFFF,
            },
            "spans": [{"start": 0x880000, "size": 0x40000}],
            "fields": [{"at": 0x8BFFFC, "size": 4, "byte_order": "big"}],
        }
    ]
