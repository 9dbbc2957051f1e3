/* Preloaded into the service by tests: kills one of its processes at the N-th call that moves anything
   out of it or into it, before the call is made. The program itself knows nothing of it.

   KILL_POINTS names a folder. While its file "armed" says "guard 17", "courier 3" or "both 3" (a courier,
   and the guard that started it just before), calls of that kind of process are counted and written to the
   file "points", one line each; the call of that number is not made. With words after the number, such as
   "guard 2 fdatasync journal.db-wal", only such calls count toward it. Number 0 only counts. The file is
   removed before the signal, so that whatever is started later lives.

   A call on the journal hangs for a while before the process dies, as on a slow disk: what should have
   waited for that row and did not then has the time to show itself. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

static char armed_path[512], points_path[512], role[16];
static pid_t own_pid;
static atomic_int count, like;
static const int hangs_s = 3;

static int whole(const char *path, char *text, size_t most)
{
    int fd = (int)syscall(SYS_openat, AT_FDCWD, path, O_RDONLY | O_CLOEXEC, 0);
    if (fd < 0)
        return -1;
    ssize_t length = syscall(SYS_read, fd, text, most - 1);
    syscall(SYS_close, fd);
    text[length > 0 ? length : 0] = 0;
    return (int)length;
}

__attribute__((constructor)) static void begin(void)
{
    static char words[4096];
    const char *folder = getenv("KILL_POINTS");
    int length = whole("/proc/self/cmdline", words, sizeof words);
    for (int i = 0; i < length - 1; i++)
        if (words[i] == 0)
            words[i] = ' ';
    if (strstr(words, "nightheron.notify.courier"))
        strcpy(role, "courier");
    else if (strstr(words, "nightheron.cli.main run"))
        strcpy(role, "guard");
    if (folder == NULL || strlen(folder) > 400)
        role[0] = 0;
    if (role[0]) {
        snprintf(armed_path, sizeof armed_path, "%s/armed", folder);
        snprintf(points_path, sizeof points_path, "%s/points", folder);
    }
    own_pid = getpid();
}

/* What a descriptor leads to, by the end of its name. */
static void name_of(int fd, char *name, size_t most)
{
    char link[64], path[512] = "";
    int domain = 0;
    socklen_t size = sizeof domain;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    path[length > 0 ? length : 0] = 0;
    if (strncmp(path, "socket:", 7) == 0) {
        getsockopt(fd, SOL_SOCKET, SO_DOMAIN, &domain, &size);
        snprintf(name, most, "%s", domain == AF_UNIX ? "unix socket" : "internet socket");
    } else if (strncmp(path, "pipe:", 5) == 0)
        snprintf(name, most, "pipe");
    else
        snprintf(name, most, "%s", strrchr(path, '/') ? strrchr(path, '/') + 1 : path);
}

static void note(const char *name)
{
    char line[256];
    int length = snprintf(line, sizeof line, "%d\t%s\n", atomic_fetch_add(&count, 1) + 1, name);
    int fd = (int)syscall(SYS_openat, AT_FDCWD, points_path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
    syscall(SYS_write, fd, line, length);
    syscall(SYS_close, fd);
}

static void point(const char *call, const char *target)
{
    char text[256], whom[16], wanted[160] = "", name[160];
    int number, kept = errno;
    if (role[0] && whole(armed_path, text, sizeof text) > 0
        && sscanf(text, "%15s %d %159[^\n]", whom, &number, wanted) >= 2) {
        int both = strcmp(whom, "both") == 0 && strcmp(role, "courier") == 0;
        snprintf(name, sizeof name, "%s %s", call, target);
        if (both || strcmp(whom, role) == 0) {
            note(name);
            if ((wanted[0] == 0 || strcmp(wanted, name) == 0) && atomic_fetch_add(&like, 1) + 1 == number) {
                syscall(SYS_unlinkat, AT_FDCWD, armed_path, 0);
                if (strncmp(target, "journal.db", 10) == 0)
                    sleep(hangs_s);
                if (both)
                    kill(getppid(), SIGKILL);
                /* A child that is not yet a courier runs in the guard's name: the guard dies, it goes on. */
                kill(own_pid, SIGKILL);
            }
        }
    }
    errno = kept;
}

static void point_at(const char *call, int fd)
{
    char name[128];
    if (role[0]) {
        name_of(fd, name, sizeof name);
        point(call, name);
    }
}

/* Reading counts where it is an answer: from a pipe, or from the push service. */
static void point_reading(const char *call, int fd)
{
    char name[128];
    if (role[0]) {
        name_of(fd, name, sizeof name);
        if (strcmp(name, "pipe") == 0 || strcmp(name, "internet socket") == 0)
            point(call, name);
    }
}

#define REAL(result, call, ...) \
    static result (*real)(__VA_ARGS__); \
    if (real == NULL) \
        real = (result (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #call)

#define AT(result, call, parameters, arguments, ...) \
    result call parameters \
    { \
        REAL(result, call, __VA_ARGS__); \
        point_at(#call, fd); \
        return real arguments; \
    }

AT(ssize_t, write, (int fd, const void *data, size_t size), (fd, data, size), int, const void *, size_t)
AT(ssize_t, pwrite, (int fd, const void *data, size_t size, off_t at), (fd, data, size, at), int, const void *, size_t, off_t)
AT(ssize_t, pwrite64, (int fd, const void *data, size_t size, off64_t at), (fd, data, size, at), int, const void *, size_t, off64_t)
AT(int, fsync, (int fd), (fd), int)
AT(int, fdatasync, (int fd), (fd), int)
AT(int, ftruncate, (int fd, off_t size), (fd, size), int, off_t)
AT(int, ftruncate64, (int fd, off64_t size), (fd, size), int, off64_t)
AT(ssize_t, send, (int fd, const void *data, size_t size, int flags), (fd, data, size, flags), int, const void *, size_t, int)
AT(ssize_t, sendto, (int fd, const void *data, size_t size, int flags, const struct sockaddr *to, socklen_t length), (fd, data, size, flags, to, length), int, const void *, size_t, int, const struct sockaddr *, socklen_t)
AT(ssize_t, sendmsg, (int fd, const struct msghdr *message, int flags), (fd, message, flags), int, const struct msghdr *, int)
AT(int, connect, (int fd, const struct sockaddr *to, socklen_t length), (fd, to, length), int, const struct sockaddr *, socklen_t)

ssize_t read(int fd, void *data, size_t size)
{
    REAL(ssize_t, read, int, void *, size_t);
    point_reading("read", fd);
    return real(fd, data, size);
}

ssize_t recv(int fd, void *data, size_t size, int flags)
{
    REAL(ssize_t, recv, int, void *, size_t, int);
    point_reading("recv", fd);
    return real(fd, data, size, flags);
}

int rename(const char *from, const char *to)
{
    REAL(int, rename, const char *, const char *);
    point("rename", strrchr(to, '/') ? strrchr(to, '/') + 1 : to);
    return real(from, to);
}

int unlink(const char *path)
{
    REAL(int, unlink, const char *);
    point("unlink", strrchr(path, '/') ? strrchr(path, '/') + 1 : path);
    return real(path);
}

int execve(const char *path, char *const words[], char *const variables[])
{
    REAL(int, execve, const char *, char *const *, char *const *);
    point("execve", "a child");
    return real(path, words, variables);
}

int execv(const char *path, char *const words[])
{
    REAL(int, execv, const char *, char *const *);
    point("execv", "a child");
    return real(path, words);
}
