/* Something to run, so that the image has code, data that moves to RAM, and RAM that no file holds. */
#include "calibration.h"

int16_t learned[4] = {-3, 0, 4, 12};
uint32_t ticks;

static uint32_t segment_of(const uint16_t *axis, uint32_t last, uint16_t at)
{
    uint32_t found = 0;
    while (found + 1 < last && axis[found + 1] <= at)
        found++;
    return found;
}

int32_t spark_at(uint16_t speed, uint8_t load)
{
    uint32_t column = segment_of(speed_axis, 8, speed);
    uint32_t row = 0;
    while (row < 5 && load_axis[row + 1] <= load)
        row++;
    return spark[row][column] + learned[(column + row) & 3];
}

uint16_t warmup_factor(int8_t coolant)
{
    uint32_t found = 0;
    while (found + 1 < warmup.count && warmup.coolant[found + 1] <= coolant)
        found++;
    return warmup.factor[found];
}

void start(void)
{
    for (;;)
        ticks += (uint32_t)spark_at(3200, 80) + warmup_factor(20);
}
