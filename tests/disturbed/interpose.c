/* Stands before the C library's calls that change files, and disturbs the n-th that reaches one folder; or the n-th
 * read of one file. Loaded with LD_PRELOAD, told what to do by disturb_changes() and disturb_reads(). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum { NOTHING, DIE, DIE_HALF_WAY, SIGNAL, FAIL };
enum { SHRINK = 1, GROW, REPLACE, READ_FAILS };

static char folder[4096], watched[4096], other[4096];
static long changes, change_at = -1, reads, read_at = -1;
static int what_then, with_number, what_read;

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

void disturb_changes(const char *where, long nth, int what, int number) {
    snprintf(folder, sizeof folder, "%s", where);
    changes = 0, change_at = nth, what_then = what, with_number = number;
}

void disturb_reads(const char *path, const char *beside, long nth, int what) {
    snprintf(watched, sizeof watched, "%s", path);
    snprintf(other, sizeof other, "%s", beside);
    reads = 0, read_at = nth, what_read = what;
}

long changes_seen(void) { return changes; }
long reads_seen(void) { return reads; }

static int within(const char *path) {
    char whole[8192], here[4096];
    if (change_at < 0 || path == NULL) return 0;
    if (path[0] != '/' && getcwd(here, sizeof here) != NULL) {
        snprintf(whole, sizeof whole, "%s/%s", here, path);
        path = whole;
    }
    return strncmp(path, folder, strlen(folder)) == 0;
}

static int place_of(int file, char *path, size_t size) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t got = readlink(link, path, size - 1);
    if (got < 0) return 0;
    path[got] = 0;
    return 1;
}

static int of_folder(int file) {
    char path[4096];
    return change_at >= 0 && place_of(file, path, sizeof path) && within(path);
}

/* Return 1 where the call is to fail, with errno set. */
static int disturbed(void) {
    if (++changes != change_at) return 0;
    if (what_then == DIE || what_then == DIE_HALF_WAY) raise(SIGKILL);
    if (what_then == SIGNAL) raise(with_number);
    if (what_then != FAIL) return 0;
    errno = with_number;
    return 1;
}

ssize_t write(int file, const void *octets, size_t count) {
    __typeof__(&write) next = NEXT(write);
    if (of_folder(file)) {
        if (changes + 1 == change_at && (what_then == DIE_HALF_WAY || what_then == FAIL) && count > 1)
            next(file, octets, count / 2);
        if (disturbed()) return -1;
    }
    return next(file, octets, count);
}

static int opened(const char *path, int flags, mode_t mode) {
    int (*next)(const char *, int, ...) = NEXT(open);
    if ((flags & (O_CREAT | O_WRONLY | O_RDWR)) && within(path) && disturbed()) return -1;
    return next(path, flags, mode);
}

int open(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = (flags & O_CREAT) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(path, flags, mode);
}

int open64(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = (flags & O_CREAT) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(path, flags, mode);
}

int rename(const char *from, const char *to) {
    return within(to) && disturbed() ? -1 : NEXT(rename)(from, to);
}

int unlink(const char *path) { return within(path) && disturbed() ? -1 : NEXT(unlink)(path); }

int mkdir(const char *path, mode_t mode) {
    return within(path) && disturbed() ? -1 : NEXT(mkdir)(path, mode);
}

int chmod(const char *path, mode_t mode) {
    return within(path) && disturbed() ? -1 : NEXT(chmod)(path, mode);
}

int fchmod(int file, mode_t mode) {
    return of_folder(file) && disturbed() ? -1 : NEXT(fchmod)(file, mode);
}

int fsync(int file) { return of_folder(file) && disturbed() ? -1 : NEXT(fsync)(file); }

ssize_t read(int file, void *octets, size_t count) {
    char path[4096];
    if (read_at >= 0 && place_of(file, path, sizeof path) && strcmp(path, watched) == 0 && ++reads == read_at) {
        struct stat facts;
        if (what_read == READ_FAILS) {
            errno = EIO;
            return -1;
        }
        if (what_read == REPLACE) NEXT(rename)(other, watched);
        if (what_read == SHRINK && stat(watched, &facts) == 0 && truncate(watched, facts.st_size / 2) != 0)
            raise(SIGABRT);
        if (what_read == GROW) {
            char piece[512];
            int from = NEXT(open)(watched, O_RDONLY), to = NEXT(open)(watched, O_WRONLY | O_APPEND);
            ssize_t got = NEXT(read)(from, piece, sizeof piece);
            if (got > 24 && NEXT(write)(to, piece + 24, (size_t)got - 24) < 0) raise(SIGABRT);
            close(from), close(to);
        }
    }
    return NEXT(read)(file, octets, count);
}
