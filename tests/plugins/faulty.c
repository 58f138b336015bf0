/*
 * A plugin for the tests. It reads lines as `U=26.4 I=-12.1`, and does what it
 * is told by a line that is one of the words below: everything that a plugin
 * must not do.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include "ampledger_plugin.h"

#define LONGEST 200

struct lines {
    const struct ampledger_host *host;
    char line[LONGEST + 1];
    size_t have;
    /* Ends the process at every line. */
    int dies;
};

static void say(struct lines *lines, double u, double i) {
    const struct ampledger_value values[2] = {{AMPLEDGER_TEXT("U"), u}, {AMPLEDGER_TEXT("I"), i}};
    struct ampledger_reading reading = {sizeof reading, 2, values, AMPLEDGER_NO_TIME};
    lines->host->reading(lines->host->context, &reading);
}

static void complain(struct lines *lines, const char *text) {
    struct ampledger_complaint complaint = {sizeof complaint, AMPLEDGER_NOT_MINE, 0,
                                            ampledger_text_of(text)};
    lines->host->complaint(lines->host->context, &complaint);
}

/* Values that are none, each beside one that is. */
static void nonsense(struct lines *lines) {
    say(lines, 0.0 / 0.0, -12.1);
    say(lines, 1.0 / 0.0, -12.1);
    say(lines, -1.0 / 0.0, 0.0 / 0.0);
}

/* Structs that are wrong: none of them may be taken. */
static void lies(struct lines *lines) {
    const struct ampledger_value values[1] = {{AMPLEDGER_TEXT("U"), 99.0}};
    struct ampledger_reading reading = {sizeof reading, 4000000000u, values, AMPLEDGER_NO_TIME};
    int taken = 0;
    taken += lines->host->reading(lines->host->context, &reading) == AMPLEDGER_OK;
    reading.count = 1;
    reading.struct_size = 4;
    taken += lines->host->reading(lines->host->context, &reading) == AMPLEDGER_OK;
    taken += lines->host->reading(lines->host->context, NULL) == AMPLEDGER_OK;
    taken += lines->host->state(lines->host->context, NULL, 0) == AMPLEDGER_OK;
    complain(lines, taken == 0 ? "no lie was taken" : "a lie was taken");
}

static void *from_elsewhere(void *lines) {
    say(lines, 99.0, 99.0);
    return NULL;
}

extern char **environ;

/* What of the machine can be reached. */
static void peek(struct lines *lines) {
    char text[160];
    int files = 0, environment = 0, fd, thread;
    pthread_t other;
    for (fd = 0; fd < 1024; fd++)
        files += fcntl(fd, F_GETFD) != -1;
    while (environ && environ[environment])
        environment++;
    thread = pthread_create(&other, NULL, from_elsewhere, lines);
    if (thread == 0)
        pthread_join(other, NULL);
    snprintf(text, sizeof text, "files=%d environment=%d read=%d write=%d socket=%d fork=%d thread=%d",
             files, environment, open("/etc/passwd", O_RDONLY) >= 0,
             open("/tmp/ampledger-plugin-was-here", O_WRONLY | O_CREAT, 0600) >= 0,
             socket(AF_UNIX, SOCK_STREAM, 0) >= 0, fork() >= 0, thread == 0);
    complain(lines, text);
}

static void flood(struct lines *lines) {
    int i;
    for (i = 0; i < 20000; i++)
        say(lines, 99.0, 99.0);
}

static void hog(void) {
    void *piece;
    while ((piece = malloc(1 << 20)))
        memset(piece, 1, 1 << 20);
    fputs("no memory left\n", stderr);
    abort();
}

static int recurse(volatile int depth) {
    volatile char frame[4096];
    frame[0] = (char)depth;
    return depth < 0 ? 0 : recurse(depth + 1) + frame[0];
}

static int32_t line(struct lines *lines) {
    const char *text = lines->line;
    double u, i;
    if (sscanf(text, "U=%lf I=%lf", &u, &i) == 2)
        say(lines, u, i);
    else if (!strcmp(text, "CRASH"))
        *(volatile int *)0 = 1;
    else if (!strcmp(text, "ABORT"))
        abort();
    else if (!strcmp(text, "EXIT"))
        exit(7);
    else if (!strcmp(text, "LOOP"))
        for (;;)
            ;
    else if (!strcmp(text, "RECURSE"))
        return recurse(1) ? AMPLEDGER_OK : AMPLEDGER_FAILED;
    else if (!strcmp(text, "HOG"))
        hog();
    else if (!strcmp(text, "FLOOD"))
        flood(lines);
    else if (!strcmp(text, "CANNOT"))
        return AMPLEDGER_FAILED;
    else if (!strcmp(text, "NONSENSE"))
        nonsense(lines);
    else if (!strcmp(text, "LIES"))
        lies(lines);
    else if (!strcmp(text, "PEEK"))
        peek(lines);
    else if (!strcmp(text, "PRINT")) {
        int n;
        for (n = 0; n < 100000; n++)
            puts("rubbish on standard output");
        fflush(stdout);
    }
    return AMPLEDGER_OK;
}

static void *lines_open(const struct ampledger_host *host, struct ampledger_text options) {
    struct lines *lines = calloc(1, sizeof *lines);
    lines->host = host;
    lines->dies = options.length > 2;
    return lines;
}

static int32_t lines_handle(void *decoder, const struct ampledger_input *input) {
    struct lines *lines = decoder;
    size_t i;
    if (input->kind == AMPLEDGER_OPENED || input->kind == AMPLEDGER_CLOSED)
        lines->have = 0;
    if (input->kind != AMPLEDGER_RECEIVED)
        return AMPLEDGER_OK;
    for (i = 0; i < input->length; i++) {
        if (input->bytes[i] == '\n') {
            lines->line[lines->have] = 0;
            lines->have = 0;
            if (lines->dies)
                abort();
            if (line(lines) != AMPLEDGER_OK)
                return AMPLEDGER_FAILED;
        } else if (lines->have < LONGEST) {
            lines->line[lines->have++] = (char)input->bytes[i];
        }
    }
    return AMPLEDGER_OK;
}

const struct ampledger_plugin *ampledger_plugin(void) {
    static const struct ampledger_plugin plugin = {
        sizeof plugin,
        AMPLEDGER_ABI_VERSION,
        AMPLEDGER_TEXT("faulty"),
        AMPLEDGER_TEXT("1"),
        AMPLEDGER_TEXT("lines, and what it is told to do wrong"),
        AMPLEDGER_INTEGRITY_NONE,
        0,
        lines_open,
        lines_handle,
        free,
        NULL,
        NULL,
    };
    return &plugin;
}
