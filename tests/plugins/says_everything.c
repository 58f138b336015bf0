/* A plugin for the tests: when it is given a command it uses every call there
 * is once, and counts in its state what it was given. */
#include <stdio.h>
#include <stdlib.h>

#include "ampledger_plugin.h"

struct all {
    const struct ampledger_host *host;
    uint8_t given[8];
};

static void say(struct all *all, const struct ampledger_input *input) {
    const struct ampledger_host *host = all->host;
    const struct ampledger_value values[2] = {{AMPLEDGER_TEXT("U"), 26.4}, {AMPLEDGER_TEXT("I"), -12.1}};
    struct ampledger_reading reading = {sizeof reading, 2, values, 1700000000000000};
    struct ampledger_complaint complaint = {sizeof complaint, AMPLEDGER_BAD_CHECK, 5,
                                            AMPLEDGER_TEXT("a bell \a")};
    int taken = 0;
    taken += host->reading(host->context, &reading) == AMPLEDGER_OK;
    taken += host->complaint(host->context, &complaint) == AMPLEDGER_OK;
    taken += host->identity(host->context, ampledger_text_of("GAL meter 7")) == AMPLEDGER_OK;
    taken += host->send(host->context, 3, input->bytes, input->length) == AMPLEDGER_OK;
    taken += host->drain(host->context, 40000) == AMPLEDGER_OK;
    taken += host->wake(host->context, input->now_us + 1000) == AMPLEDGER_OK;
    taken += host->wake(host->context, AMPLEDGER_NO_TIME) == AMPLEDGER_OK;
    taken += host->done(host->context, 7, 1, ampledger_text_of("{\"zeroed\": true}")) == AMPLEDGER_OK;
    taken += host->done(host->context, 8, 0, ampledger_text_of("it cannot")) == AMPLEDGER_OK;
    if (taken != 9)
        abort();
}

static void *all_open(const struct ampledger_host *host, struct ampledger_text options) {
    struct all *all;
    if (options.length > 2) {
        host->refuse(host->context, ampledger_text_of("pace.ms"), ampledger_text_of("must be above 0"));
        host->refuse(host->context, ampledger_text_of(""), ampledger_text_of("and more"));
        return NULL;
    }
    all = calloc(1, sizeof *all);
    all->host = host;
    return all;
}

static int32_t all_handle(void *decoder, const struct ampledger_input *input) {
    struct all *all = decoder;
    if (input->struct_size < sizeof *input || input->kind > 7)
        return AMPLEDGER_FAILED;
    all->given[input->kind]++;
    if (input->kind == AMPLEDGER_OPENED && input->flags & AMPLEDGER_FLAG_RECORD)
        all->given[0]++;
    if (input->kind == AMPLEDGER_COMMAND)
        say(all, input);
    return AMPLEDGER_OK;
}

static int32_t all_save(void *decoder) {
    struct all *all = decoder;
    return all->host->state(all->host->context, all->given, sizeof all->given);
}

static int32_t all_restore(void *decoder, const uint8_t *bytes, size_t length) {
    struct all *all = decoder;
    if (length != sizeof all->given)
        return AMPLEDGER_FAILED;
    memcpy(all->given, bytes, length);
    return AMPLEDGER_OK;
}

const struct ampledger_plugin *ampledger_plugin(void) {
    static const struct ampledger_plugin plugin = {
        sizeof plugin,
        AMPLEDGER_ABI_VERSION,
        AMPLEDGER_TEXT("says_everything"),
        AMPLEDGER_TEXT("2.1"),
        AMPLEDGER_TEXT("nothing that exists"),
        AMPLEDGER_INTEGRITY_CRC,
        0,
        all_open,
        all_handle,
        free,
        all_save,
        all_restore,
    };
    return &plugin;
}
