/* An invented calibration of an invented controller, TERN-3. Nothing here belongs to a real one.
 *
 * The tests read the initialisers of this file as the truth, so it keeps to plain forms: numbers, braces, designators,
 * strings, the limits of <stdint.h> and the two names of calibration.h; no arithmetic, no conditionals but the one.
 */
#include "calibration.h"

/* ------------------------------------------------------------------------------------------------------- identity */

HEAD const char software[16] = "TERN3 01.04";
HEAD const char calibration_id[16] = "T3-0104-INVENTED";
HEAD const uint32_t hardware = 3054198966;
HEAD const uint8_t made[4] = {0x20, 0x26, 0x11, 0x25};
HEAD const char unit_serial[17] = "NOBODYS0000000001";

/* -------------------------------------------------------------------------------------- every type, to its extremes */

CAL(1) const uint8_t every_u8[5] = {0, 1, 127, 128, UINT8_MAX};
CAL(1) const int8_t every_i8[5] = {INT8_MIN, -1, 0, 1, INT8_MAX};
CAL(2) const uint16_t every_u16[5] = {0, 1, 258, 32768, UINT16_MAX};
CAL(2) const int16_t every_i16[5] = {INT16_MIN, -2, 0, 258, INT16_MAX};
CAL(4) const uint32_t every_u32[5] = {0, 1, 16909060, 2147483648, UINT32_MAX};
CAL(4) const int32_t every_i32[5] = {INT32_MIN, -2, 0, 16909060, INT32_MAX};
CAL(8) const uint64_t every_u64[5] = {0, 1, 72623859790382856, 9007199254740993, UINT64_MAX};
CAL(8) const int64_t every_i64[5] = {INT64_MIN, -9007199254740993, 0, 72623859790382856, INT64_MAX};
CAL(4) const float every_f32[6] = {0.0f, -0.0f, 0.1f, -273.15f, 1e-45f, 3.4028235e38f};
CAL(8) const double every_f64[6] = {0.0, -0.0, 0.1, -273.15, 5e-324, 1.7976931348623157e308};
CAL(4) const float broken_f32[4] = {1.5f, NOT_A_NUMBER, INFINITE, -INFINITE};
#ifdef __ARM_FP16_FORMAT_IEEE
CAL(2) const __fp16 every_f16[6] = {0.0, -0.0, 0.1, -273.25, 6e-8, 65504.0};
#endif

/* The same in the byte order that is not the machine's. */
CAL(8) const struct other_order other = {
    .u16 = {1, 258, UINT16_MAX},
    .i16 = {INT16_MIN, -2, 258},
    .u32 = {1, 16909060, UINT32_MAX},
    .i32 = {INT32_MIN, -2, 16909060},
    .u64 = {72623859790382856, UINT64_MAX},
    .i64 = {INT64_MIN, -2},
    .f64 = {0.1, -273.15},
    .f32 = {0.1f, -273.15f},
    .axis = {500, 1000, 2000, 4000},
    .padding = {0, 0},
};

/* Numbers at odd addresses. */
CAL(1) const struct odd odd = {
    .first = 17,
    .u16 = 4660,
    .i32 = -19088744,
    .second = 34,
    .u64 = 81985529216486895,
    .f64 = 6.02214076e23,
    .f32 = -1.5f,
    .third = 51,
};

/* ------------------------------------------------------------------------------------- shared axes, curves and maps */

/* 1/4 rpm a bit */
CAL(2) const uint16_t speed_axis[8] = {2400, 3200, 4800, 6400, 9600, 12800, 19200, 25600};
/* 1/2 % a bit */
CAL(1) const uint8_t load_axis[6] = {20, 40, 80, 120, 160, 200};
/* five of eight in use; degC */
CAL(1) const uint8_t coolant_count = 5;
CAL(1) const int8_t coolant_axis[8] = {-40, -10, 20, 60, 95, -1, -1, -1};

/* 1/2 degCA a bit, -40 at 0; rows by load, columns by speed */
CAL(1) const uint8_t spark[6][8] = {
    {100, 104, 110, 118, 126, 132, 136, 138},
    {98, 102, 108, 116, 124, 130, 134, 136},
    {94, 98, 104, 112, 120, 126, 130, 132},
    {88, 92, 98, 106, 114, 120, 124, 126},
    {80, 84, 91, 99, 108, 114, 118, 120},
    {70, 75, 83, 92, 101, 107, 111, 113},
};

/* 1/16 Nm a bit; column-major: by speed first, then by load */
CAL(2) const int16_t torque[8][6] = {
    {-320, 160, 800, 1440, 1920, 2080},
    {-336, 176, 848, 1536, 2080, 2272},
    {-352, 192, 928, 1696, 2304, 2560},
    {-384, 192, 976, 1808, 2496, 2816},
    {-432, 160, 992, 1888, 2640, 3024},
    {-496, 96, 960, 1872, 2656, 3088},
    {-592, -16, 832, 1744, 2528, 2976},
    {-720, -176, 624, 1488, 2224, 2656},
};

CAL(4) const float manifold[6][8] = {
    {31.25f, 32.5f, 33.0f, 34.125f, 35.75f, 37.5f, 40.0f, 43.0f},
    {41.5f, 42.25f, 43.0f, 44.5f, 46.0f, 48.25f, 51.0f, 54.5f},
    {55.0f, 56.5f, 57.25f, 58.0f, 60.5f, 63.0f, 66.75f, 70.0f},
    {70.5f, 71.25f, 72.0f, 73.5f, 76.0f, 79.25f, 82.5f, 86.0f},
    {84.0f, 85.25f, 86.5f, 88.0f, 90.25f, 92.0f, 94.5f, 96.75f},
    {97.5f, 98.0f, 98.5f, 99.0f, 99.5f, 100.0f, 100.25f, 100.5f},
};

/* layers by gear, rows by load, columns by speed; a tenth of a degCA a bit */
CAL(2) const int16_t spark_gear[2][6][8] = {
    {
        {0, 0, -5, -10, -15, -20, -20, -20},
        {0, 0, -5, -10, -15, -20, -25, -25},
        {0, -5, -10, -15, -20, -25, -30, -30},
        {-5, -10, -15, -20, -25, -30, -35, -35},
        {-10, -15, -20, -25, -30, -35, -40, -40},
        {-15, -20, -25, -30, -35, -40, -45, -50},
    },
    {
        {0, 5, 10, 10, 15, 15, 20, 20},
        {0, 5, 10, 15, 15, 20, 20, 25},
        {5, 5, 10, 15, 20, 20, 25, 25},
        {5, 10, 15, 15, 20, 25, 25, 30},
        {5, 10, 15, 20, 25, 25, 30, 30},
        {10, 15, 20, 25, 25, 30, 30, 35},
    },
};

/* column-major: layers by gear, then by speed, then by load */
CAL(1) const int8_t trim_cube[2][4][3] = {
    {{1, 2, 3}, {4, 5, 6}, {7, 8, 9}, {10, 11, 12}},
    {{-1, -2, -3}, {-4, -5, -6}, {-7, -8, -9}, {-10, -11, -12}},
};

/* 4096/raw is lambda */
CAL(2) const uint16_t lambda_target[8] = {4096, 4096, 4096, 4112, 4301, 4505, 4762, 4876};
/* on coolant_axis: five of eight in use; 1/128 a bit */
CAL(1) const uint8_t enrichment[8] = {192, 168, 146, 132, 128, 255, 255, 255};
/* axis in the other byte order, cells in the machine's */
CAL(4) const uint32_t crossing[4] = {1000000, 2000000, 3000000, 4000000};
/* by looking up 0 -> 150, 512 -> 40, 1023 -> -40, straight lines between */
CAL(2) const uint16_t sensor[6] = {0, 256, 512, 768, 1023, 1500};

/* ------------------------------------------------------------------------------------ interleaved, padded, descending */

CAL(2) const struct idle_point idle[6] = {{2000, -96}, {2400, -32}, {2800, 0}, {3200, 16}, {4000, 64}, {4800, 128}};

CAL(2) const struct site sites[3][4] = {
    {{200, -1, 1000}, {201, -2, 2000}, {202, -3, 3000}, {203, -4, 4000}},
    {{210, 1, 1001}, {211, 2, 2001}, {212, 3, 3001}, {213, 4, 4001}},
    {{220, 127, 1002}, {221, -128, 2002}, {222, 0, 3002}, {223, 5, 65535}},
};

/* five of eight columns in use, the rest is erased memory */
CAL(2) const uint16_t padded[4][8] = {
    {100, 110, 120, 130, 140, 65535, 65535, 65535},
    {200, 210, 220, 230, 240, 65535, 65535, 65535},
    {300, 310, 320, 330, 340, 65535, 65535, 65535},
    {400, 410, 420, 430, 440, 65535, 65535, 65535},
};

/* stored from the highest breakpoint down */
CAL(1) const int8_t descending_axis[5] = {90, 60, 30, 0, -30};
CAL(2) const uint16_t descending[5] = {900, 620, 450, 330, 250};

/* ------------------------------------------------------------------------------------------ axes inside the table */

CAL(2) const struct warmup warmup = {
    .count = 6,
    .coolant = {-30, -10, 10, 30, 50, 70, -1, -1},
    .padding = 0,
    .factor = {300, 260, 220, 180, 150, 128, 65535, 65535},
};

CAL(4) const struct aligned_record cranking = {
    .x_count = 4,
    .x = {-25, 0, 25, 80, -1},
    .values = {60, 40, 25, 10, -1},
};

CAL(1) const struct roomy_record roomy = {
    .x_count = 4,
    .y_count = 3,
    .x = {100, 200, 300, 400, 65535, 65535},
    .y = {10, 20, 30, 255},
    .values =
        {
            {11, 12, 13, 14, -1, -1},
            {21, 22, 23, 24, -1, -1},
            {31, 32, 33, 34, -1, -1},
            {-1, -1, -1, -1, -1, -1},
        },
};

/* the same kind of record with its parts following closely: room for 6 by 4, used for 4 by 3 */
CAL(1) const struct close_record closely = {
    .x_count = 4,
    .y_count = 3,
    .x = {100, 200, 300, 400},
    .y = {10, 20, 30},
    .values = {{-11, -12, -13, -14}, {-21, -22, -23, -24}, {-31, -32, -33, -34}},
    .unused = {255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255,
               255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255},
};

CAL(4) const struct values_first injector = {
    .values = {1250000, 1100000, 980000, 910000},
    .x = {80, 100, 120, 140},
};

/* --------------------------------------------------------------------------------------- bits, names, flags, text */

CAL(4) const struct fuel_word fuel_words[4] = {
    {1023, -32, 15, 1, 0},
    {0, 31, 0, 0, 0},
    {512, -1, 9, 1, 0},
    {1, 1, 1, 0, 2047},
};

/* bit 0 lambda control, bit 1 knock control, bits 4 and 5 the fuel */
CAL(2) const uint16_t enables = 0x0021;
/* 0 off, 1 eco, 2 power */
CAL(1) const uint8_t mode = 2;
CAL(1) const uint8_t modes[3] = {0, 1, 7};
/* 1/10 a bit */
CAL(2) const int16_t idle_offset = -125;
CAL(1) const char label[20] = "Invented, no vehicle";
CAL(1) const char note[12] = "K\xfchlung";

/* --------------------------------------------------------------- a record with its parts following, each at a 4th byte */

/* room for 5, used for 3 */
CAL(4) const struct aligned_close_record afterstart = {
    .x_count = 3,
    .x = {-20, 20, 60},
    .values = {30, 20, -5},
    .unused = {255, 255, 255, 255, 255, 255, 255, 255, 255},
};
