/* Names for the layouts that the calibration uses, and its declarations for the code.
 *
 * An explicit alignment keeps every compiler from choosing its own; OTHER_ORDER stores a struct's numbers in the byte
 * order that is not the machine's.
 */
#ifndef CALIBRATION_H
#define CALIBRATION_H

#include <stdint.h>

#define HEAD __attribute__((section(".head"), aligned(4), used))
#define CAL(alignment) __attribute__((section(".cal"), aligned(alignment), used))
#define PACKED __attribute__((packed))

#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
#define OTHER_ORDER __attribute__((scalar_storage_order("little-endian")))
#else
#define OTHER_ORDER __attribute__((scalar_storage_order("big-endian")))
#endif

#define NOT_A_NUMBER __builtin_nanf("")
#define INFINITE __builtin_inff()

struct other_order {
    uint16_t u16[3];
    int16_t i16[3];
    uint32_t u32[3];
    int32_t i32[3];
    uint64_t u64[2];
    int64_t i64[2];
    double f64[2];
    float f32[2];
    uint16_t axis[4];
    uint16_t padding[2];
} OTHER_ORDER;

struct odd {
    uint8_t first;
    uint16_t u16;
    int32_t i32;
    uint8_t second;
    uint64_t u64;
    double f64;
    float f32;
    uint8_t third;
} PACKED;

struct idle_point {
    uint16_t speed;
    int16_t correction;
};

struct site {
    uint8_t base;
    int8_t trim;
    uint16_t age;
};

struct fuel_word {
    uint32_t rich : 10;
    int32_t trim : 6;
    uint32_t gear : 4;
    uint32_t ready : 1;
    uint32_t spare : 11;
};

struct warmup {
    uint8_t count;
    int8_t coolant[8];
    uint8_t padding;
    uint16_t factor[8];
};

struct aligned_record {
    uint8_t x_count __attribute__((aligned(4)));
    int16_t x[5] __attribute__((aligned(4)));
    int8_t values[5] __attribute__((aligned(4)));
};

struct aligned_close_record {
    uint8_t x_count __attribute__((aligned(4)));
    int16_t x[3] __attribute__((aligned(4)));
    int8_t values[3] __attribute__((aligned(4)));
    uint8_t unused[9];
};

struct roomy_record {
    uint8_t x_count;
    uint8_t y_count;
    uint16_t x[6];
    uint8_t y[4];
    int16_t values[4][6];
} PACKED;

struct close_record {
    uint8_t x_count;
    uint8_t y_count;
    uint16_t x[4];
    uint8_t y[3];
    int16_t values[3][4];
    uint8_t unused[35];
} PACKED;

struct values_first {
    uint32_t values[4];
    uint16_t x[4];
};

extern const uint16_t speed_axis[8];
extern const uint8_t load_axis[6];
extern const uint8_t spark[6][8];
extern const struct warmup warmup;
extern int16_t learned[4];
extern uint32_t ticks;

#endif
