#!/bin/sh
# Makes the golden files beside this script, by GNU binutils and srecord:
#     sh tests/image/data/make.sh
# The content is seeded pseudo-random bytes, so that no two places are alike by chance. The files that stand here were
# made by GNU objcopy 2.40 (Debian) and srec_cat 1.64. Nothing in them was made by caldiff.
set -eu
cd "$(dirname "$0")"
python3 - <<'PY'
from pathlib import Path
from random import Random

random = Random(20)
Path("low.bin").write_bytes(random.randbytes(300))
Path("high.bin").write_bytes(random.randbytes(90))
PY
srec="-line-termination=nl"

# GNU objcopy: 16 bytes a record, CR LF, type 02 below 1 MiB and type 04 above.
objcopy -I binary -O ihex --change-addresses 0x1000 low.bin objcopy-16bit.hex
objcopy -I binary -O ihex --change-addresses 0x2FFC0 low.bin objcopy-20bit.hex
objcopy -I binary -O ihex --change-addresses 0x00881005 low.bin objcopy-32bit.hex
objcopy -I binary -O ihex --change-addresses 0xFFFC0 low.bin objcopy-mixed.hex
objcopy -I binary -O srec --change-addresses 0x1000 low.bin objcopy-s1.s19
objcopy -I binary -O srec --change-addresses 0x00881005 low.bin objcopy-s2.s28
objcopy -I binary -O srec --srec-forceS3 --srec-len 24 --change-addresses 0x00881005 low.bin objcopy-s3.s37

# srecord: 32 bytes a record, LF, a count record, no end record unless there is a start address; gaps; records over 64 KiB.
gaps="low.bin -binary -offset 0x00880000 high.bin -binary -offset 0x00890003"
srec_cat $gaps -o srecord-gaps.hex -intel $srec
srec_cat $gaps -o srecord-gaps.s28 -motorola $srec
srec_cat $gaps -o srecord-gaps.txt -ti-txt $srec
srec_cat low.bin -binary -offset 0xFFF0 -execution-start-address 0x1234 -o srecord-crossing.hex -intel $srec
srec_cat low.bin -binary -offset 0xFFF0 -execution-start-address 0x1234 -o srecord-crossing.s19 -motorola $srec
srec_cat low.bin -binary -offset 0xFFF0 -o srecord-crossing.txt -ti-txt $srec

# ELF, big-endian: two sections that run elsewhere than they are loaded.
powerpc-linux-gnu-objcopy -I binary -O elf32-powerpc -B powerpc:common --rename-section .data=.low low.bin low.o
powerpc-linux-gnu-objcopy -I binary -O elf32-powerpc -B powerpc:common --rename-section .data=.high high.bin high.o
cat > place.ld <<'LD'
PHDRS { low PT_LOAD; high PT_LOAD; }
SECTIONS
{
  .low 0x40000000 : AT(0x00880000) { *(.low) } :low
  .high 0x40020000 : AT(0x00890003) { *(.high) } :high
  .bss 0x50000000 (NOLOAD) : { . += 4096; } :high
}
LD
powerpc-linux-gnu-ld -T place.ld -z max-page-size=16 --strip-all -o load-addresses.elf low.o high.o
powerpc-linux-gnu-objcopy -O srec --srec-forceS3 load-addresses.elf load-addresses.s37
chmod 644 load-addresses.*
rm -f low.o high.o place.ld
