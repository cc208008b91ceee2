#include "store/lockfile.h"

#include "store/database.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static void read_holder(int fd, char *out, size_t size)
{
    ssize_t got = pread(fd, out, size - 1, 0);
    out[got > 0 ? got : 0] = '\0';
    out[strcspn(out, "\n")] = '\0';
    if (out[0] == '\0')
        snprintf(out, size, "another program");
}

/* The last holder removes the file: a lock on a file that is no longer there under its name guards nothing. */
static bool is_still_there(int fd, const char *path)
{
    struct stat held, named;
    return fstat(fd, &held) == 0 && stat(path, &named) == 0 && held.st_ino == named.st_ino &&
           held.st_dev == named.st_dev;
}

/* For the message that the next one gets. On a full disk the lock holds without it. */
static void write_holder(int fd)
{
    char host[128] = "";
    char text[192];
    if (gethostname(host, sizeof host - 1) != 0)
        snprintf(host, sizeof host, "an unnamed host");
    int len = snprintf(text, sizeof text, "process %ld on %s\n", (long)getpid(), host);
    if (ftruncate(fd, 0) == 0 && pwrite(fd, text, (size_t)len, 0) != len && ftruncate(fd, 0) != 0)
        return;
}

static enum store_result cannot(struct store_error *error, const char *path)
{
    return store_error_set(
        error, STORE_CANNOT_OPEN,
        "%s: cannot be written: %s; check that the folder exists and that this user may write in it", path,
        strerror(errno));
}

static enum store_result try_once(struct lockfile *lock, const char *database, struct store_error *error)
{
    lock->fd = open(lock->path, O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    if (lock->fd < 0)
        return cannot(error, lock->path);
    if (flock(lock->fd, LOCK_EX | LOCK_NB) == 0)
        return STORE_OK;
    if (errno != EWOULDBLOCK)
        return cannot(error, lock->path);
    char holder[192];
    read_holder(lock->fd, holder, sizeof holder);
    return store_error_set(error, STORE_HELD, "%s is in use by %s; stop that one, or give another file",
                           database, holder);
}

enum store_result lockfile_take(struct lockfile *lock, const char *database, struct store_error *error)
{
    size_t size = strlen(database) + sizeof "-lock";
    *lock = (struct lockfile){.fd = -1, .path = malloc(size)};
    if (lock->path == NULL)
        return store_error_set(error, STORE_NO_MEMORY, "out of memory");
    snprintf(lock->path, size, "%s-lock", database);
    enum store_result result = STORE_OK;
    do {
        if (lock->fd >= 0)
            close(lock->fd);
        result = try_once(lock, database, error);
    } while (result == STORE_OK && !is_still_there(lock->fd, lock->path));
    if (result == STORE_OK) {
        write_holder(lock->fd);
        return STORE_OK;
    }
    if (lock->fd >= 0)
        close(lock->fd);
    free(lock->path);
    *lock = (struct lockfile){.fd = -1};
    return result;
}

void lockfile_drop(struct lockfile *lock)
{
    if (lock->fd < 0)
        return;
    /* Removed while held: whoever opened it meanwhile sees that it is gone and makes a new one. */
    unlink(lock->path);
    close(lock->fd);
    free(lock->path);
    *lock = (struct lockfile){.fd = -1};
}
