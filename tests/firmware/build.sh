#!/bin/sh
# Builds the invented firmware for a big-endian PowerPC and a little-endian ARM and writes every file format of it.
#
#   tests/firmware/build.sh OUT
#
# Needs gcc-powerpc-linux-gnu, gcc-arm-none-eabi and srecord (Debian package names). GNU objcopy and srec_cat write the
# image formats, so that caldiff's readers meet files that caldiff never touched; GNU nm says where each object is.
# The same compiler gives the same bytes: no build id, no times, no paths of the machine.
set -eu

out=$(mkdir -p "$1" && cd "$1" && pwd)
cd "$(dirname "$0")/src"

build() { # NAME PREFIX PROGRAM CALIBRATION FLAGS...
    name=$1 prefix=$2 program=$3 calibration=$4
    shift 4
    "$prefix-gcc" "$@" -std=gnu11 -O1 -gdwarf-5 -Wall -Wextra -Werror -ffreestanding -nostdlib -static -no-pie \
        -fno-pic -fno-toplevel-reorder -fno-asynchronous-unwind-tables -fno-section-anchors -fno-common \
        -fdebug-prefix-map="$PWD"=src -fdebug-prefix-map="$("$prefix-gcc" -print-file-name=include)"=include \
        -gno-record-gcc-switches \
        -Wl,--build-id=none,-z,max-page-size=16,-z,common-page-size=16,-T,firmware.ld \
        -Wl,--defsym=PROGRAM="$program",--defsym=CALIBRATION="$calibration" \
        calibration.c program.c -o "$out/$name.elf"
    (
        cd "$out"
        "$prefix-nm" --numeric-sort --print-size "$name.elf" >"$name.nm"
        "$prefix-objcopy" -O binary --only-section=.cal "$name.elf" "$name-cal.bin"
        "$prefix-objcopy" -O binary --remove-section=.cal "$name.elf" "$name-program.bin"
        "$prefix-objcopy" -O ihex "$name.elf" "$name.hex"
        "$prefix-objcopy" -O srec "$name.elf" "$name.s19"
        "$prefix-objcopy" -O srec --srec-forceS3 --srec-len=16 "$name.elf" "$name.s37"
        srec_cat "$name.hex" -Intel -o "$name.txt" -TITXT
        srec_cat "$name.hex" -Intel -o "$name-linear.hex" -Intel -Address_Length=4 -Output_Block_Size=16
        srec_cat "$name.hex" -Intel -o "$name-counted.s37" -Motorola -Address_Length=4 -Line_Length=62
    )
}

build firmware-be powerpc-linux-gnu 0x00F80000 0x00F8FC00 -mcpu=powerpc -msoft-float -mno-sdata
build firmware-le arm-none-eabi 0x00004000 0x0000C000 -march=armv7e-m -mthumb -mfp16-format=ieee

cd "$out"
for form in 2 3; do # 16-bit and segmented Intel HEX, S1 and S2: room enough for the low addresses only
    srec_cat firmware-le.hex -Intel -o "firmware-le-a$form.hex" -Intel -Address_Length="$form"
    srec_cat firmware-le.hex -Intel -o "firmware-le-a$form.s19" -Motorola -Address_Length="$form"
done
chmod a-x ./*
