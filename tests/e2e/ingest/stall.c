/* Syncs that take five seconds while the file STALL_FILE is there: a card that cleans up behind itself. Put in front of
   the C library with LD_PRELOAD. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <unistd.h>

static int sync_later(const char *name, int fd)
{
    int (*sync_now)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    const char *file = getenv("STALL_FILE");
    if (file && access(file, F_OK) == 0)
        sleep(5);
    return sync_now(fd);
}

int fsync(int fd)
{
    return sync_later("fsync", fd);
}

int fdatasync(int fd)
{
    return sync_later("fdatasync", fd);
}
