/* Obstacles under the system calls of the daemon; preloaded into the program that ships.
 *
 * VIGILUX_OBSTACLES names a folder. While it holds a file of one of these names, the calls behave so:
 *   sync   fsync and fdatasync do not return
 *   read   read from a terminal does not return
 *   back   the wall clock shows as many seconds less as the file says
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static int is_there(const char *name, char *path)
{
    const char *folder = getenv("VIGILUX_OBSTACLES");
    if (!folder)
        return 0;
    snprintf(path, PATH_MAX, "%s/%s", folder, name);
    return access(path, F_OK) == 0;
}

static void hang_while(const char *name)
{
    char path[PATH_MAX];
    while (is_there(name, path))
        usleep(50000);
}

int fsync(int fd)
{
    hang_while("sync");
    return syscall(SYS_fsync, fd);
}

int fdatasync(int fd)
{
    hang_while("sync");
    return syscall(SYS_fdatasync, fd);
}

ssize_t read(int fd, void *buffer, size_t size)
{
    if (isatty(fd))
        hang_while("read");
    return syscall(SYS_read, fd, buffer, size);
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    char path[PATH_MAX];
    int result = syscall(SYS_clock_gettime, clock, now);
    if (result == 0 && clock == CLOCK_REALTIME && is_there("back", path)) {
        FILE *file = fopen(path, "r");
        long seconds = 0;
        if (file) {
            if (fscanf(file, "%ld", &seconds) == 1)
                now->tv_sec -= seconds;
            fclose(file);
        }
    }
    return result;
}
