/* Preloaded by tests: writes down, in order, everything a process does to the files of one folder, with the
   bytes, so that the disk as a power cut could have left it can be made for every moment.

   DISK_TRACE names the file it is written to, DISK_FOLDER the folder, as an absolute path. A record is a line
   "call name offset size" and then that many bytes. The write-ahead index (-shm) is memory and left out. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static const char *folder, *trace;
static pthread_mutex_t one_at_a_time = PTHREAD_MUTEX_INITIALIZER;

__attribute__((constructor)) static void begin(void)
{
    folder = getenv("DISK_FOLDER");
    trace = getenv("DISK_TRACE");
}

static const char *within(const char *path)
{
    size_t length = folder ? strlen(folder) : 0;
    size_t ends = strlen(path);
    if (!length || strncmp(path, folder, length) != 0 || (ends >= 4 && strcmp(path + ends - 4, "-shm") == 0))
        return NULL;
    if (path[length] == 0)
        return ".";
    return path[length] == '/' ? path + length + 1 : NULL;
}

static const char *name_of(int fd, char *path, size_t most)
{
    char link[64];
    int kept = errno;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, most - 1);
    path[length > 0 ? length : 0] = 0;
    errno = kept;
    return within(path);
}

static void note(const char *call, const char *name, long long at, const void *data, size_t size)
{
    char line[512];
    int kept = errno;
    int length = snprintf(line, sizeof line, "%s %s %lld %zu\n", call, name, at, size);
    struct iovec parts[2] = {{line, (size_t)length}, {(void *)data, size}};
    int fd = (int)syscall(SYS_openat, AT_FDCWD, trace, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
    syscall(SYS_writev, fd, parts, 2);
    syscall(SYS_close, fd);
    errno = kept;
}

#define REAL(result, call, ...) \
    static result (*real)(__VA_ARGS__); \
    if (real == NULL) \
        real = (result (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #call)

/* Written down after it was done, and one at a time, so that the order is the order. */
#define AT(result, call, parameters, arguments, noted, ...) \
    result call parameters \
    { \
        char path[512]; \
        REAL(result, call, __VA_ARGS__); \
        const char *name = trace ? name_of(fd, path, sizeof path) : NULL; \
        if (name == NULL) \
            return real arguments; \
        pthread_mutex_lock(&one_at_a_time); \
        off_t here = lseek(fd, 0, SEEK_CUR); \
        (void)here; \
        result done = real arguments; \
        if (done >= 0) \
            noted; \
        pthread_mutex_unlock(&one_at_a_time); \
        return done; \
    }

AT(ssize_t, write, (int fd, const void *data, size_t size), (fd, data, size), note("write", name, here, data, (size_t)done), int, const void *, size_t)
AT(ssize_t, pwrite, (int fd, const void *data, size_t size, off_t at), (fd, data, size, at), note("write", name, at, data, (size_t)done), int, const void *, size_t, off_t)
AT(ssize_t, pwrite64, (int fd, const void *data, size_t size, off64_t at), (fd, data, size, at), note("write", name, at, data, (size_t)done), int, const void *, size_t, off64_t)
AT(int, fsync, (int fd), (fd), note("sync", name, 0, "", 0), int)
AT(int, fdatasync, (int fd), (fd), note("sync", name, 0, "", 0), int)
AT(int, ftruncate, (int fd, off_t size), (fd, size), note("truncate", name, size, "", 0), int, off_t)
AT(int, ftruncate64, (int fd, off64_t size), (fd, size), note("truncate", name, size, "", 0), int, off64_t)

static int opened(int fd, const char *path, int flags, int was_there)
{
    const char *name = trace && fd >= 0 ? within(path) : NULL;
    if (name != NULL && (flags & O_CREAT) && !was_there)
        note("create", name, 0, "", 0);
    else if (name != NULL && (flags & O_TRUNC))
        note("truncate", name, 0, "", 0);
    return fd;
}

static int is_there(const char *path)
{
    struct stat found;
    int kept = errno, there = trace == NULL || within(path) == NULL || stat(path, &found) == 0;
    errno = kept;
    return there;
}

#define OPEN(call) \
    int call(const char *path, int flags, ...) \
    { \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = flags & O_CREAT ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        REAL(int, call, const char *, int, ...); \
        int there = is_there(path); \
        return opened(real(path, flags, mode), path, flags, there); \
    }

OPEN(open)
OPEN(open64)

int rename(const char *from, const char *to)
{
    REAL(int, rename, const char *, const char *);
    int done = real(from, to);
    const char *old = trace ? within(from) : NULL, *fresh = trace ? within(to) : NULL;
    if (done == 0 && old != NULL && fresh != NULL)
        note("rename", old, 0, fresh, strlen(fresh));
    return done;
}

int unlink(const char *path)
{
    REAL(int, unlink, const char *);
    int done = real(path);
    const char *name = trace ? within(path) : NULL;
    if (done == 0 && name != NULL)
        note("unlink", name, 0, "", 0);
    return done;
}
