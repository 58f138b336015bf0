/* A plugin for the tests: it ends the process before anybody asks it anything. */
#include <stdlib.h>

__attribute__((constructor)) static void die(void) {
    abort();
}
