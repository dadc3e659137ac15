/* A Modbus TCP server on libmodbus with numbers in the four word and byte orders: PORT. Units 1 to 4 hold them as ABCD,
   CDAB, BADC and DCBA, the most significant byte being A, in input registers and in holding registers alike: a float32
   at 0, a uint32 at 2, an int16 at 4, a float64 at 5, and at 9 the float32 as libmodbus lays it out by that name. After
   each write it says how libmodbus reads the float32 at 0 of the holding registers, by each of its four names. */
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ABCD, CDAB, BADC, DCBA, ORDERS };

static void (*const set_float[ORDERS])(float, uint16_t *) = {
    modbus_set_float_abcd, modbus_set_float_cdab, modbus_set_float_badc, modbus_set_float_dcba};
static float (*const get_float[ORDERS])(const uint16_t *) = {
    modbus_get_float_abcd, modbus_get_float_cdab, modbus_get_float_badc, modbus_get_float_dcba};

/* Lay the `words` lowest 16-bit words of `raw` out from `at` on. */
static void set_raw(uint16_t *at, uint64_t raw, int words, int order)
{
    int place, is_low_first = order == CDAB || order == DCBA;
    for (place = 0; place < words; place++) {
        uint16_t word = (uint16_t)(raw >> 16 * (is_low_first ? place : words - 1 - place));
        if (order == BADC || order == DCBA)
            word = (uint16_t)(word << 8 | word >> 8);
        at[place] = word;
    }
}

static void fill(uint16_t *at, int order)
{
    float real = 123456.0f;
    double long_real = -98765.4321;
    uint32_t real_bits;
    uint64_t long_bits;
    memcpy(&real_bits, &real, sizeof real_bits);
    memcpy(&long_bits, &long_real, sizeof long_bits);
    set_raw(at, real_bits, 2, order);
    set_raw(at + 2, 1000000u, 2, order);
    set_raw(at + 4, (uint16_t)-1000, 1, order);
    set_raw(at + 5, long_bits, 4, order);
    set_float[order](real, at + 9);
}

int main(int argc, char **argv)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_mapping_t *units[ORDERS];
    modbus_t *server = modbus_new_tcp("127.0.0.1", argc > 1 ? atoi(argv[1]) : 0);
    int order, listener;
    for (order = 0; order < ORDERS; order++) {
        units[order] = modbus_mapping_new(16, 16, 16, 16);
        fill(units[order]->tab_input_registers, order);
        fill(units[order]->tab_registers, order);
    }
    listener = modbus_tcp_listen(server, 1);
    if (listener == -1)
        return 1;
    puts("ready");
    fflush(stdout);
    for (;;) {
        int got;
        modbus_tcp_accept(server, &listener);
        while ((got = modbus_receive(server, query)) >= 0) {
            modbus_mapping_t *unit;
            if (got < 8 || query[6] < 1 || query[6] > ORDERS)
                continue;
            unit = units[query[6] - 1];
            modbus_reply(server, query, got, unit);
            if (query[7] == MODBUS_FC_WRITE_MULTIPLE_REGISTERS) {
                for (order = 0; order < ORDERS; order++)
                    printf("%.3f ", get_float[order](unit->tab_registers));
                puts("");
                fflush(stdout);
            }
        }
    }
}
