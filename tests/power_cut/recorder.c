/* Records what a program does to its database on the disk; preloaded into the program that ships.
 *
 * VIGILUX_RECORD names the file the record is appended to, VIGILUX_RECORD_DATABASE the absolute path of the database.
 * Every write, truncation, creation, renaming, removal and sync of a file whose name begins with that path is recorded,
 * every sync of the folder it lies in, and every acknowledgement: a line that begins with "stored ", on any other descriptor.
 *
 * One lock is held over each call and its entry, so that the order of the record is the order of the effects; a sync is
 * entered when it has returned, an acknowledgement before it leaves. VIGILUX_RECORD_KILL ends the process by SIGKILL
 * after so many entries, between two calls, so that a record never lacks what the disk has.
 * VIGILUX_RECORD_FULL names a file: while it exists, what would make a recorded file longer fails with the error number
 * that the file holds (ENOSPC of a full disk, EFBIG of a file-size limit). Shared memory (-shm, 32 KiB) still finds room.
 * VIGILUX_RECORD_UNSYNCED names a file: while it exists, every fourth sync of a recorded file fails with EIO, and what was
 * written since the last sync never reaches the disk, as on Linux: entry 'F'.
 *
 * An entry, little-endian: kind (1 byte), length of the name (u16), offset (u64), length of the data (u64), name, data.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static int record = -1;
static char database[PATH_MAX], folder[PATH_MAX];
static size_t database_length;
static long kill_after = -1, entries;
static const char *full, *unsynced;
static unsigned syncs;

__attribute__((constructor)) static void begin(void)
{
    const char *name = getenv("VIGILUX_RECORD"), *path = getenv("VIGILUX_RECORD_DATABASE");
    const char *limit = getenv("VIGILUX_RECORD_KILL");
    full = getenv("VIGILUX_RECORD_FULL");
    unsynced = getenv("VIGILUX_RECORD_UNSYNCED");
    if (!path)
        return;
    snprintf(database, sizeof database, "%s", path);
    database_length = strlen(database);
    snprintf(folder, sizeof folder, "%s", path);
    char *slash = strrchr(folder, '/');
    if (slash)
        *slash = 0;
    if (limit)
        kill_after = atol(limit);
    if (name)
        record = syscall(SYS_openat, AT_FDCWD, name, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
}

static void enter(char kind, const char *name, uint64_t offset, const void *data, uint64_t length)
{
    if (record < 0)
        return;
    unsigned char head[19];
    uint16_t name_length = (uint16_t)strlen(name);
    head[0] = (unsigned char)kind;
    memcpy(head + 1, &name_length, 2);
    memcpy(head + 3, &offset, 8);
    memcpy(head + 11, &length, 8);
    struct iovec parts[3] = {{head, sizeof head}, {(void *)name, name_length}, {(void *)data, data ? length : 0}};
    ssize_t want = (ssize_t)(sizeof head + name_length + parts[2].iov_len);
    if (syscall(SYS_writev, record, parts, 3) != want)
        abort(); /* A record with a hole would prove nothing. */
    if (kill_after >= 0 && ++entries >= kill_after)
        syscall(SYS_kill, getpid(), SIGKILL);
}

static int ours(const char *path)
{
    return database_length && strncmp(path, database, database_length) == 0;
}

/* The name of an open file, where it is one of ours or our folder. */
static int name_of(int fd, char *path)
{
    if (!database_length || fd < 0)
        return 0;
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, PATH_MAX - 1);
    if (n <= 0)
        return 0;
    path[n] = 0;
    return ours(path) || strcmp(path, folder) == 0;
}

/* Whether a write up to `end` has to fail because there is no room. */
static int no_room(int fd, const char *path, uint64_t end)
{
    struct stat now;
    size_t length = strlen(path);
    if (length > 4 && strcmp(path + length - 4, "-shm") == 0)
        return 0;
    if (!full || fstat(fd, &now) != 0 || end <= (uint64_t)now.st_size)
        return 0;
    int why = (int)syscall(SYS_openat, AT_FDCWD, full, O_RDONLY | O_CLOEXEC), number = 0;
    if (why < 0)
        return 0;
    char text[16] = {0};
    if (syscall(SYS_read, why, text, sizeof text - 1) > 0)
        number = atoi(text);
    syscall(SYS_close, why);
    errno = number ? number : ENOSPC;
    return 1;
}

#define REAL(name) \
    static __typeof__(name) *real; \
    if (!real) \
    real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)

ssize_t write(int fd, const void *data, size_t length)
{
    REAL(write);
    char path[PATH_MAX];
    if (length >= 7 && memcmp(data, "stored ", 7) == 0 && !name_of(fd, path)) {
        pthread_mutex_lock(&lock);
        enter('A', "", 0, data, length);
        pthread_mutex_unlock(&lock);
        return real(fd, data, length);
    }
    if (!name_of(fd, path))
        return real(fd, data, length);
    pthread_mutex_lock(&lock);
    off_t at = lseek(fd, 0, SEEK_CUR);
    ssize_t done = no_room(fd, path, (uint64_t)at + length) ? -1 : real(fd, data, length);
    int saved = errno;
    if (done > 0)
        enter('W', path, (uint64_t)at, data, (uint64_t)done);
    pthread_mutex_unlock(&lock);
    errno = saved;
    return done;
}

static ssize_t at_offset(ssize_t (*real)(int, const void *, size_t, off_t), int fd, const void *data, size_t length,
                         off_t at)
{
    char path[PATH_MAX];
    if (!name_of(fd, path))
        return real(fd, data, length, at);
    pthread_mutex_lock(&lock);
    ssize_t done = no_room(fd, path, (uint64_t)at + length) ? -1 : real(fd, data, length, at);
    int saved = errno;
    if (done > 0)
        enter('W', path, (uint64_t)at, data, (uint64_t)done);
    pthread_mutex_unlock(&lock);
    errno = saved;
    return done;
}

ssize_t pwrite(int fd, const void *data, size_t length, off_t at)
{
    REAL(pwrite);
    return at_offset(real, fd, data, length, at);
}

ssize_t pwrite64(int fd, const void *data, size_t length, off64_t at)
{
    REAL(pwrite64);
    return at_offset((ssize_t(*)(int, const void *, size_t, off_t))real, fd, data, length, at);
}

static int truncated(int (*real)(int, off_t), int fd, off_t length)
{
    char path[PATH_MAX];
    if (!name_of(fd, path))
        return real(fd, length);
    pthread_mutex_lock(&lock);
    int done = no_room(fd, path, (uint64_t)length) ? -1 : real(fd, length), saved = errno;
    if (done == 0)
        enter('T', path, (uint64_t)length, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = saved;
    return done;
}

int ftruncate(int fd, off_t length)
{
    REAL(ftruncate);
    return truncated(real, fd, length);
}

int ftruncate64(int fd, off64_t length)
{
    REAL(ftruncate64);
    return truncated((int (*)(int, off_t))real, fd, length);
}

static int synced(int (*real)(int), int fd)
{
    char path[PATH_MAX];
    if (!name_of(fd, path))
        return real(fd);
    pthread_mutex_lock(&lock);
    struct stat there;
    int is_folder = strcmp(path, folder) == 0, done, saved;
    if (!is_folder && unsynced && stat(unsynced, &there) == 0 && syncs++ % 4 == 0) {
        enter('F', path, 0, NULL, 0);
        done = -1;
        saved = EIO;
    } else {
        done = real(fd);
        saved = errno;
        if (done == 0)
            enter(is_folder ? 'D' : 'S', path, 0, NULL, 0);
    }
    pthread_mutex_unlock(&lock);
    errno = saved;
    return done;
}

int fsync(int fd)
{
    REAL(fsync);
    return synced(real, fd);
}

int fdatasync(int fd)
{
    REAL(fdatasync);
    return synced(real, fd);
}

static int opened(const char *path, int flags, unsigned mode)
{
    char absolute[2 * PATH_MAX];
    if (path[0] != '/' && database_length && (flags & O_CREAT) && getcwd(absolute, PATH_MAX)) {
        size_t length = strlen(absolute);
        snprintf(absolute + length, sizeof absolute - length, "/%s", path);
        path = absolute;
    }
    if (!ours(path) || !(flags & (O_CREAT | O_TRUNC)))
        return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
    pthread_mutex_lock(&lock);
    struct stat before;
    int there = stat(path, &before) == 0;
    int fd = (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode), saved = errno;
    if (fd >= 0 && !there)
        enter('C', path, 0, NULL, 0);
    else if (fd >= 0 && (flags & O_TRUNC))
        enter('T', path, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = saved;
    return fd;
}

#define MODE(flags) \
    unsigned mode = 0; \
    if ((flags) & (O_CREAT | O_TMPFILE)) { \
        va_list more; \
        va_start(more, flags); \
        mode = va_arg(more, unsigned); \
        va_end(more); \
    }

int open(const char *path, int flags, ...)
{
    MODE(flags)
    return opened(path, flags, mode);
}

int open64(const char *path, int flags, ...)
{
    MODE(flags)
    return opened(path, flags | O_LARGEFILE, mode);
}

int unlink(const char *path)
{
    REAL(unlink);
    if (!ours(path))
        return real(path);
    pthread_mutex_lock(&lock);
    int done = real(path), saved = errno;
    if (done == 0)
        enter('U', path, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = saved;
    return done;
}

int rename(const char *from, const char *to)
{
    REAL(rename);
    if (!ours(from) && !ours(to))
        return real(from, to);
    pthread_mutex_lock(&lock);
    int done = real(from, to), saved = errno;
    if (done == 0)
        enter('R', from, 0, to, strlen(to));
    pthread_mutex_unlock(&lock);
    errno = saved;
    return done;
}
