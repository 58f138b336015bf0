/* A plugin for the tests: a table without the functions that it must have. */
#include "ampledger_plugin.h"

const struct ampledger_plugin *ampledger_plugin(void) {
    static const struct ampledger_plugin plugin = {
        .struct_size = sizeof plugin, .abi_version = AMPLEDGER_ABI_VERSION, .name = AMPLEDGER_TEXT("short")};
    return &plugin;
}
