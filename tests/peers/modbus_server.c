/* A Modbus RTU instrument on a serial port, by libmodbus: the same registers as
   modbus_server.py, which describes them.

   usage: modbus_server PORT PERIOD_SECOND */
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static double seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static void put_single(uint16_t *registers, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    registers[0] = (uint16_t)(bits >> 16);
    registers[1] = (uint16_t)(bits & 0xFFFF);
}

static void fill(uint16_t *registers, uint64_t counter)
{
    put_single(registers, 12.0f + (float)counter / 64.0f);
    put_single(registers + 2, -1.5f);
    registers[4] = 253;
    registers[5] = (uint16_t)-40;
    for (int i = 0; i < 4; i++)
        registers[6 + i] = (uint16_t)(counter >> (48 - 16 * i));
}

int main(int count, char **arguments)
{
    if (count != 3) {
        fprintf(stderr, "usage: modbus_server PORT PERIOD_SECOND\n");
        return 2;
    }
    double period = atof(arguments[2]), start = seconds();
    modbus_t *line = modbus_new_rtu(arguments[1], 115200, 'N', 8, 1);
    modbus_mapping_t *map = modbus_mapping_new(0, 0, 10, 10);
    uint8_t request[MODBUS_RTU_MAX_ADU_LENGTH];

    if (!line || !map || modbus_set_slave(line, 1) || modbus_connect(line)) {
        fprintf(stderr, "%s: %s\n", arguments[1], modbus_strerror(errno));
        return 1;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        int length = modbus_receive(line, request);
        if (length > 0) {
            fill(map->tab_registers, (uint64_t)((seconds() - start) / period));
            memcpy(map->tab_input_registers, map->tab_registers, 10 * sizeof(uint16_t));
            modbus_reply(line, request, length, map);
        } else if (length == -1 && errno != EMBBADCRC && errno != ETIMEDOUT) {
            fprintf(stderr, "%s: %s\n", arguments[1], modbus_strerror(errno));
            return 1;
        }
    }
}
