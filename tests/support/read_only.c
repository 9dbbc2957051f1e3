/* Preloaded into the service by tests: while the file named by READ_ONLY exists, everything below the folder
   READ_ONLY_FOLDER answers as a disk does that the kernel made read-only after an error: what is open for
   writing cannot be written any more, and nothing can be opened for it. A mount cannot be turned so by hand
   while files are open on it for writing. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

static int stands(const char *path)
{
    const char *flag = getenv("READ_ONLY"), *folder = getenv("READ_ONLY_FOLDER");
    int kept = errno;
    int found = flag && folder && strncmp(path, folder, strlen(folder)) == 0
        && syscall(SYS_faccessat, AT_FDCWD, flag, F_OK) == 0;
    errno = found ? EROFS : kept;
    return found;
}

static int stands_at(int fd)
{
    char link[64], path[512];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    path[length > 0 ? length : 0] = 0;
    return stands(path);
}

#define REAL(result, call, ...) \
    static result (*real)(__VA_ARGS__); \
    if (real == NULL) \
        real = (result (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #call)

#define AT(result, call, parameters, arguments, ...) \
    result call parameters \
    { \
        REAL(result, call, __VA_ARGS__); \
        return stands_at(fd) ? -1 : real arguments; \
    }

AT(ssize_t, write, (int fd, const void *data, size_t size), (fd, data, size), int, const void *, size_t)
AT(ssize_t, pwrite, (int fd, const void *data, size_t size, off_t at), (fd, data, size, at), int, const void *, size_t, off_t)
AT(ssize_t, pwrite64, (int fd, const void *data, size_t size, off64_t at), (fd, data, size, at), int, const void *, size_t, off64_t)
AT(int, fsync, (int fd), (fd), int)
AT(int, fdatasync, (int fd), (fd), int)
AT(int, ftruncate, (int fd, off_t size), (fd, size), int, off_t)
AT(int, ftruncate64, (int fd, off64_t size), (fd, size), int, off64_t)

#define OPEN(call) \
    int call(const char *path, int flags, ...) \
    { \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = flags & O_CREAT ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        REAL(int, call, const char *, int, ...); \
        if ((flags & (O_CREAT | O_WRONLY | O_RDWR)) && stands(path)) \
            return -1; \
        return real(path, flags, mode); \
    }

OPEN(open)
OPEN(open64)

int rename(const char *from, const char *to)
{
    REAL(int, rename, const char *, const char *);
    return stands(from) ? -1 : real(from, to);
}

int unlink(const char *path)
{
    REAL(int, unlink, const char *);
    return stands(path) ? -1 : real(path);
}
