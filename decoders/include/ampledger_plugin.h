/*
 * The interface between Ampledger and a decoder that is a plugin: a shared
 * library with one exported function. Version 1. C99 and C++.
 *
 * A plugin turns what an instrument sends into readings. It runs in a process
 * of its own; what it does wrong costs readings of its own source only.
 *
 * Rules that hold for everything below:
 *
 * - One thread. Ampledger calls the plugin from one thread, one call at a
 *   time. The plugin calls back only during such a call and from that thread.
 * - Strings are UTF-8, a pointer with a length in bytes, and need no NUL at
 *   the end. Empty is a length of 0; the pointer may be NULL then.
 * - Who makes it owns it. What is passed in either direction is valid until
 *   the call returns, and is copied by whoever needs it longer. Nobody frees
 *   what the other has made. The table that ampledger_plugin() returns, and
 *   the strings in it, stay as they are for ever.
 * - No exception, panic or longjmp leaves a function of either side.
 * - No clock, no files, no network: times come in with the input, and what is
 *   to be sent goes out through `send`. The process may forbid the rest.
 * - Each struct begins with its size. A later minor revision may add members
 *   at the end: whoever reads a struct looks at no member beyond its size. The
 *   version only changes when an old plugin could not be used any more.
 */
#ifndef AMPLEDGER_PLUGIN_H
#define AMPLEDGER_PLUGIN_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#ifdef __cplusplus
extern "C" {
#endif

/* The version of this interface. */
#define AMPLEDGER_ABI_VERSION 1u

/* What a callback or a plugin's function returns. */
#define AMPLEDGER_OK 0
/* A callback: it was not taken. The struct is wrong, this is not the time for
 * it, or there is too much of it; the plugin should return.
 * A plugin's function: it cannot go on. It is closed and opened afresh. */
#define AMPLEDGER_FAILED (-1)

/* A string: UTF-8 bytes, not ended by NUL. */
struct ampledger_text {
    const char *bytes;
    size_t length;
};

/* What happened on the connection: `kind` of an input. */
#define AMPLEDGER_OPENED 1u   /* opened afresh: what was half read is void */
#define AMPLEDGER_RECEIVED 2u /* bytes arrived, cut anywhere */
#define AMPLEDGER_SENT 3u     /* what `send` asked for has been written */
#define AMPLEDGER_DRAINED 4u  /* what `drain` asked for is done */
#define AMPLEDGER_DEADLINE 5u /* the time asked for with `wake` has come */
#define AMPLEDGER_COMMAND 6u  /* somebody wants something: see `done` */
#define AMPLEDGER_CLOSED 7u   /* closed or lost */

/* `flags` of AMPLEDGER_OPENED: a record is played from its beginning, so its
 * first line or frame is whole. Without it the line may be tuned into half-way. */
#define AMPLEDGER_FLAG_RECORD 1u

/* One thing that happened. */
struct ampledger_input {
    uint32_t struct_size;
    uint32_t kind;
    /* Microseconds since the machine was started; never runs backwards. */
    int64_t now_us;
    /* Which characteristic or address; 0 where there is only one. */
    uint32_t endpoint;
    uint32_t flags;
    /* RECEIVED and SENT: the bytes. COMMAND: JSON, as
     * {"id": 7, "name": "zero", "arguments": …}. Else empty. */
    const uint8_t *bytes;
    size_t length;
};

/* One number of a reading. `field` is a name of the plugin's own; the
 * configuration says what it measures, its unit, its scale and its sign. A
 * field that is not configured is left out, unless its name says it all
 * (`voltage_volt`, `Current [A]`). NaN means: the instrument has no value. This
 * struct stands in an array and never grows. */
struct ampledger_value {
    struct ampledger_text field;
    double number;
};

/* Numbers that belong to one moment. */
struct ampledger_reading {
    uint32_t struct_size;
    uint32_t count;
    const struct ampledger_value *values;
    /* The instrument's own time, microseconds, where it sends one; kept beside
     * the time of arrival. AMPLEDGER_NO_TIME for none. */
    int64_t instrument_time_us;
};

/* For `instrument_time_us`: it sends none. For `wake`: call it off. */
#define AMPLEDGER_NO_TIME INT64_MIN

/* Why something could not be read: `kind` of a complaint. */
#define AMPLEDGER_NOT_MINE 1u         /* not what this decoder reads */
#define AMPLEDGER_INCOMPLETE 2u       /* cut off, or too long */
#define AMPLEDGER_BAD_CHECK 3u        /* its checksum is wrong */
#define AMPLEDGER_IMPLAUSIBLE 4u      /* read, but cannot be true */
#define AMPLEDGER_NO_ANSWER 5u        /* the instrument did not answer in time */
#define AMPLEDGER_INSTRUMENT_ERROR 6u /* the instrument reported an error */

/* Something that could not be read. It ends nothing; it is counted. */
struct ampledger_complaint {
    uint32_t struct_size;
    uint32_t kind;
    /* How many bytes were given up for it. */
    uint64_t bytes_skipped;
    /* In words, short. */
    struct ampledger_text detail;
};

/* What the plugin can say. `context` is the first argument of every call.
 * Between calls of the plugin, and from another thread, each returns
 * AMPLEDGER_FAILED. */
struct ampledger_host {
    uint32_t struct_size;
    uint32_t abi_version;
    void *context;
    /* A reading, at the time of the input that is being handled. */
    int32_t (*reading)(void *context, const struct ampledger_reading *reading);
    /* Something that could not be read. */
    int32_t (*complaint)(void *context, const struct ampledger_complaint *complaint);
    /* The instrument said who it is. */
    int32_t (*identity)(void *context, struct ampledger_text text);
    /* The next request: write these bytes; an input SENT follows. */
    int32_t (*send)(void *context, uint32_t endpoint, const uint8_t *bytes, size_t length);
    /* Throw away what arrives until nothing has arrived for so long, so that a
     * late answer is not taken for the next; an input DRAINED follows. */
    int32_t (*drain)(void *context, int64_t quiet_us);
    /* Give an input DEADLINE at this time, on the axis of `now_us`. The latest
     * one counts; AMPLEDGER_NO_TIME calls it off. */
    int32_t (*wake)(void *context, int64_t at_us);
    /* A command is done (`worked` is not 0; `text` is JSON or empty) or not
     * (`text` says why). `id` is that of the command. */
    int32_t (*done)(void *context, uint64_t id, int32_t worked, struct ampledger_text text);
    /* Only during `save`: the state, all of it, once. At most 512 KiB. */
    int32_t (*state)(void *context, const uint8_t *bytes, size_t length);
    /* Only during `open`: what is wrong with the options. `key` is the option,
     * as `baud` or `cells.count`, or empty; `what` is what would be right. */
    int32_t (*refuse)(void *context, struct ampledger_text key, struct ampledger_text what);
};

/* What protects a frame against damage on the way. */
#define AMPLEDGER_INTEGRITY_NONE 0u /* nothing: a flipped bit can pass */
#define AMPLEDGER_INTEGRITY_SUM 1u  /* a sum or parity */
#define AMPLEDGER_INTEGRITY_CRC 2u  /* a cyclic redundancy check or better */

/* The plugin: who it is and what it does. */
struct ampledger_plugin {
    uint32_t struct_size;
    uint32_t abi_version;
    /* A short name, as `yard-shunt`. */
    struct ampledger_text name;
    /* Grows whenever the same input may give other readings. */
    struct ampledger_text version;
    /* What it reads, in a sentence. */
    struct ampledger_text summary;
    uint32_t integrity;
    uint32_t reserved;
    /* Makes a decoder for one source. `options` is the source's table of options
     * as a JSON object. `host` stays valid until the process ends. NULL if the
     * options are wrong; `host->refuse` says why. */
    void *(*open)(const struct ampledger_host *host, struct ampledger_text options);
    /* Takes in one thing that happened and says what there is to say. Returns
     * AMPLEDGER_OK, whatever was received: rubbish is a complaint. */
    int32_t (*handle)(void *decoder, const struct ampledger_input *input);
    /* Ends the decoder and frees what it holds. */
    void (*close)(void *decoder);
    /* May both be NULL. With them, decoding again can begin in the middle of a
     * record, and a restart knows what was half read. `save` gives the whole
     * state to `host->state`; `restore` takes it up in a decoder that was just
     * opened, or returns AMPLEDGER_FAILED if it is not its own. */
    int32_t (*save)(void *decoder);
    int32_t (*restore)(void *decoder, const uint8_t *bytes, size_t length);
};

/* The one function that a plugin exports. Called once, before anything else. */
#if defined(__GNUC__)
__attribute__((visibility("default")))
#endif
const struct ampledger_plugin *ampledger_plugin(void);

/* A string that ends with NUL as Ampledger takes it. */
static inline struct ampledger_text ampledger_text_of(const char *text) {
    struct ampledger_text made;
    made.bytes = text;
    made.length = strlen(text);
    return made;
}

/* The same for a literal, where a constant is needed: in a static table. */
#define AMPLEDGER_TEXT(literal) { (literal), sizeof(literal) - 1 }

#ifdef __cplusplus
}
#endif

#endif
