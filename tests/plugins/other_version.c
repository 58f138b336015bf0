/* A plugin for the tests: built for a version of the interface that is none. */
#include "ampledger_plugin.h"

const struct ampledger_plugin *ampledger_plugin(void) {
    static const struct ampledger_plugin plugin = {.struct_size = sizeof plugin, .abi_version = 999};
    return &plugin;
}
