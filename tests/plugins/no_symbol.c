/* A library for the tests that is no plugin. */
int ampledger_plugins(void) {
    return 0;
}
