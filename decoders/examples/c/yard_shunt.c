/*
 * yard_shunt: a plugin for Ampledger in C, from the first line to the last.
 *
 * It reads a home-made shunt board that sends a frame of six bytes twice a
 * second, without being asked:
 *
 *   byte  0     1 2        3 4        5
 *         A5    voltage    current    sum of bytes 0 to 4, modulo 256
 *
 * Voltage and current are signed, low byte first, in hundredths of a volt and
 * an ampere. The board counts a discharge as positive.
 *
 * Build it with `make`, try it with
 *   ampledger plugin check yard_shunt.so --capture yard_shunt.hex --config yard_shunt.toml
 */

#include <stdlib.h>

/* The interface. The only thing of Ampledger's that a plugin needs. */
#include "ampledger_plugin.h"

/* What a frame begins with, and how long it is. */
#define MARK 0xA5
#define LENGTH 6

/* One decoder: one source's state. Everything that depends on what came before
 * is in here, and nothing is in a global variable. */
struct shunt {
    /* Where readings and complaints go. It stays valid as long as we run. */
    const struct ampledger_host *host;
    /* What has arrived of the next frame: never more than one frame, so memory
     * is bounded whatever is sent. */
    uint8_t partial[LENGTH];
    size_t have;
};

/* Two bytes as a signed number, low byte first. */
static int number(const uint8_t *bytes) {
    int n = bytes[0] | bytes[1] << 8;
    return n < 0x8000 ? n : n - 0x10000;
}

/* A frame with a right sum: tell what it says. The names `U` and `I` are ours.
 * What they measure, and that `I` counts the other way round, stands in the
 * source's configuration, so that all instruments are described in one way. */
static void reading(struct shunt *shunt) {
    const struct ampledger_value values[2] = {
        {AMPLEDGER_TEXT("U"), number(shunt->partial + 1) / 100.0},
        {AMPLEDGER_TEXT("I"), number(shunt->partial + 3) / 100.0},
    };
    struct ampledger_reading reading;
    /* The size first, in every struct that we fill in. */
    reading.struct_size = sizeof reading;
    reading.count = 2;
    reading.values = values;
    /* The board has no clock. */
    reading.instrument_time_us = AMPLEDGER_NO_TIME;
    shunt->host->reading(shunt->host->context, &reading);
}

/* Bytes that are part of no frame: one complaint for all of an input. */
static void complain(struct shunt *shunt, uint64_t skipped) {
    struct ampledger_complaint complaint;
    complaint.struct_size = sizeof complaint;
    complaint.kind = AMPLEDGER_BAD_CHECK;
    complaint.bytes_skipped = skipped;
    complaint.detail = ampledger_text_of("no frame with a right sum");
    shunt->host->complaint(shunt->host->context, &complaint);
}

/* Gives up the first byte of what we have, and all up to the next mark. Returns
 * how many bytes that were. */
static size_t next_mark(struct shunt *shunt) {
    size_t at = 1;
    while (at < shunt->have && shunt->partial[at] != MARK)
        at++;
    shunt->have -= at;
    memmove(shunt->partial, shunt->partial + at, shunt->have);
    return at;
}

/* Takes in one byte. Returns how many bytes were given up for it. */
static size_t take(struct shunt *shunt, uint8_t byte) {
    unsigned sum = 0;
    size_t i;
    shunt->partial[shunt->have++] = byte;
    if (shunt->partial[0] != MARK)
        return next_mark(shunt);
    if (shunt->have < LENGTH)
        return 0;
    for (i = 0; i < LENGTH - 1; i++)
        sum += shunt->partial[i];
    /* A wrong sum: a frame may begin inside what we took for one. */
    if ((sum & 0xFF) != shunt->partial[LENGTH - 1])
        return next_mark(shunt);
    reading(shunt);
    shunt->have = 0;
    return 0;
}

/* Called once for a source. This decoder has no options, so any is refused: a
 * mistyped option must not be overlooked. */
static void *shunt_open(const struct ampledger_host *host, struct ampledger_text options) {
    struct shunt *shunt;
    if (options.length != 2) { /* "{}" */
        host->refuse(host->context, ampledger_text_of(""), ampledger_text_of("it has no options"));
        return NULL;
    }
    shunt = calloc(1, sizeof *shunt);
    if (shunt)
        shunt->host = host;
    return shunt;
}

/* Called for everything that happens, in order. */
static int32_t shunt_handle(void *decoder, const struct ampledger_input *input) {
    struct shunt *shunt = decoder;
    uint64_t skipped = 0;
    size_t i;
    switch (input->kind) {
    case AMPLEDGER_OPENED:
    case AMPLEDGER_CLOSED:
        /* What was half read is void. */
        shunt->have = 0;
        break;
    case AMPLEDGER_RECEIVED:
        /* Cut anywhere: half a frame, or three and a half. */
        for (i = 0; i < input->length; i++)
            skipped += take(shunt, input->bytes[i]);
        if (skipped > 0)
            complain(shunt, skipped);
        break;
    default:
        /* We ask for nothing; and what a later version may bring is passed over. */
        break;
    }
    return AMPLEDGER_OK;
}

/* Called at the end. */
static void shunt_close(void *decoder) {
    free(decoder);
}

/* The state for somebody who goes on from here: what is half read. */
static int32_t shunt_save(void *decoder) {
    struct shunt *shunt = decoder;
    return shunt->host->state(shunt->host->context, shunt->partial, shunt->have);
}

/* Takes up what `shunt_save` gave, and trusts it no further than that. */
static int32_t shunt_restore(void *decoder, const uint8_t *bytes, size_t length) {
    struct shunt *shunt = decoder;
    if (length >= LENGTH || (length > 0 && bytes[0] != MARK))
        return AMPLEDGER_FAILED;
    if (length > 0)
        memcpy(shunt->partial, bytes, length);
    shunt->have = length;
    return AMPLEDGER_OK;
}

/* The one function that is exported: who we are. */
const struct ampledger_plugin *ampledger_plugin(void) {
    static const struct ampledger_plugin plugin = {
        sizeof(struct ampledger_plugin),
        AMPLEDGER_ABI_VERSION,
        AMPLEDGER_TEXT("yard_shunt"),
        /* Raise it whenever the same bytes may give other readings. */
        AMPLEDGER_TEXT("1"),
        AMPLEDGER_TEXT("frames of six bytes from a home-made shunt board"),
        AMPLEDGER_INTEGRITY_SUM,
        0,
        shunt_open,
        shunt_handle,
        shunt_close,
        shunt_save,
        shunt_restore,
    };
    return &plugin;
}
