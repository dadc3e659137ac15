/* A Modbus TCP server on libmodbus, for a client's speed to be measured against: PORT, then ADDRESS=VALUE for input
   registers. Serves one client at a time, every unit id alike, until it is ended. */
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_t *server = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    modbus_mapping_t *map = modbus_mapping_new(64, 64, 64, 64);
    int i, address, value, listener;
    for (i = 2; i < argc; i++)
        if (sscanf(argv[i], "%d=%d", &address, &value) == 2)
            map->tab_input_registers[address] = (uint16_t)value;
    listener = modbus_tcp_listen(server, 1);
    if (listener == -1)
        return 1;
    puts("ready");
    fflush(stdout);
    for (;;) {
        int got;
        modbus_tcp_accept(server, &listener);
        while ((got = modbus_receive(server, query)) >= 0)
            if (got > 0)
                modbus_reply(server, query, got, map);
    }
}
