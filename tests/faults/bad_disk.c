/* A disk that is slow, full or fails, seen by one program: loaded before the C library
 * (LD_PRELOAD), it stands between the program and its writes to files whose path
 * holds BAD_DISK_PATH.
 *
 *   BAD_DISK_SYNC_MS   each sync takes so many milliseconds longer; -1: it does nothing
 *   BAD_DISK_ONE_IN    one write or sync in so many fails with EIO, which ones is random
 *   BAD_DISK_SEED      other ones
 *   BAD_DISK_FULL      while this file is there no write finds room (ENOSPC)
 *   BAD_DISK_SPOILT    a file that says, once it is there, which page of which file went
 *                      bad: the file's number (inode), the page's from 1, then `eio` for
 *                      one that cannot be read, or `garbage` if it reads as something else
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static long number(const char *name)
{
    const char *text = getenv(name);
    return text ? atol(text) : 0;
}

static int is_meant(int fd)
{
    char link[64], path[4096];
    const char *part = getenv("BAD_DISK_PATH");
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (!part || length < 0)
        return 0;
    path[length] = 0;
    return strstr(path, part) && !strstr(path, ".lock");
}

static int is_full(void)
{
    const char *mark = getenv("BAD_DISK_FULL");
    return mark && access(mark, F_OK) == 0;
}

static int fails(void)
{
    static unsigned long long state;
    long one_in = number("BAD_DISK_ONE_IN");
    if (!one_in)
        return 0;
    if (!state)
        state = number("BAD_DISK_SEED") + 1;
    state = state * 6364136223846793005ULL + 1442695040888963407ULL;
    return (state >> 33) % one_in == 0;
}

static int bad_sync(int fd, const char *name)
{
    if (is_meant(fd)) {
        long ms = number("BAD_DISK_SYNC_MS");
        if (ms < 0)
            return 0;
        struct timespec wait = {ms / 1000, ms % 1000 * 1000000};
        nanosleep(&wait, NULL);
        if (fails()) {
            errno = EIO;
            return -1;
        }
    }
    int (*sync)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    return sync(fd);
}

int fsync(int fd) { return bad_sync(fd, "fsync"); }
int fdatasync(int fd) { return bad_sync(fd, "fdatasync"); }

ssize_t write(int fd, const void *bytes, size_t count)
{
    static ssize_t (*real)(int, const void *, size_t);
    if (!real)
        real = (ssize_t (*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    if (is_meant(fd) && (is_full() || fails())) {
        errno = is_full() ? ENOSPC : EIO;
        return -1;
    }
    return real(fd, bytes, count);
}

static ssize_t bad_pwrite(int fd, const void *bytes, size_t count, off_t at, const char *name)
{
    ssize_t (*real)(int, const void *, size_t, off_t) =
        (ssize_t (*)(int, const void *, size_t, off_t))dlsym(RTLD_NEXT, name);
    if (is_meant(fd) && (is_full() || fails())) {
        errno = is_full() ? ENOSPC : EIO;
        return -1;
    }
    return real(fd, bytes, count, at);
}

ssize_t pwrite(int fd, const void *b, size_t n, off_t at) { return bad_pwrite(fd, b, n, at, "pwrite"); }
ssize_t pwrite64(int fd, const void *b, size_t n, off_t at) { return bad_pwrite(fd, b, n, at, "pwrite64"); }

/* 0 where it is sound, else what a read of it gives: 'e' or 'g'. */
static int spoilt(int fd, off_t at)
{
    const char *name = getenv("BAD_DISK_SPOILT");
    struct stat seen;
    unsigned long long number;
    long long page;
    char how;
    if (!name || fstat(fd, &seen) || !S_ISREG(seen.st_mode))
        return 0;
    FILE *said = fopen(name, "r");
    if (!said)
        return 0;
    int read = fscanf(said, "%llu %lld %c", &number, &page, &how);
    fclose(said);
    return read == 3 && number == seen.st_ino && at / 4096 + 1 == page ? how : 0;
}

static ssize_t bad_pread(int fd, void *bytes, size_t count, off_t at, const char *name)
{
    ssize_t (*real)(int, void *, size_t, off_t) =
        (ssize_t (*)(int, void *, size_t, off_t))dlsym(RTLD_NEXT, name);
    int how = spoilt(fd, at);
    if (how == 'e') {
        errno = EIO;
        return -1;
    }
    ssize_t got = real(fd, bytes, count, at);
    if (how == 'g' && got > 0)
        memset(bytes, 0x5a, got);
    return got;
}

ssize_t pread(int fd, void *b, size_t n, off_t at) { return bad_pread(fd, b, n, at, "pread"); }
ssize_t pread64(int fd, void *b, size_t n, off_t at) { return bad_pread(fd, b, n, at, "pread64"); }
