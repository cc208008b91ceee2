#include "export/spool.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int spool_file(void)
{
    char path[4096];
    const char *folder = getenv("TMPDIR");
    snprintf(path, sizeof path, "%s/bellrope-XXXXXX", folder != NULL && folder[0] != '\0' ? folder : "/tmp");
    int fd = mkstemp(path);
    if (fd >= 0)
        unlink(path); /* it lasts as long as it is open */
    return fd;
}

FILE *spool_open(void)
{
    int fd = spool_file();
    FILE *file = fd >= 0 ? fdopen(fd, "w+b") : NULL;
    if (file == NULL && fd >= 0)
        close(fd);
    return file;
}

bool spool_empty(const struct spool *spool)
{
    return spool->filed == 0 && spool->used == 0;
}

/* What is in memory goes into the file. */
static void file_away(struct spool *spool)
{
    if (!spool->has_file) {
        spool->fd = spool_file();
        spool->has_file = spool->fd >= 0;
        spool->error = spool->has_file ? 0 : errno;
    }
    for (size_t at = 0; at < spool->used && spool->error == 0;) {
        ssize_t put = pwrite(spool->fd, spool->bytes + at, spool->used - at, spool->filed);
        if (put > 0) {
            at += (size_t)put;
            spool->filed += put;
        } else if (errno != EINTR) {
            spool->error = errno;
        }
    }
    spool->used = 0;
}

void spool_put(struct spool *spool, const char *bytes, size_t len)
{
    while (len > 0) {
        if (spool->used == sizeof spool->bytes)
            file_away(spool);
        size_t room = sizeof spool->bytes - spool->used, part = len < room ? len : room;
        memcpy(spool->bytes + spool->used, bytes, part);
        spool->used += part;
        bytes += part;
        len -= part;
    }
}

int spool_pour(struct spool *spool, FILE *out)
{
    if (spool->filed > 0)
        file_away(spool); /* its room is needed to read */
    for (int64_t at = 0; at < spool->filed && spool->error == 0;) {
        int64_t left = spool->filed - at; /* behind it lies what was poured before */
        size_t wanted = left < SPOOL_BYTES ? (size_t)left : SPOOL_BYTES;
        ssize_t got = pread(spool->fd, spool->bytes, wanted, at);
        if (got > 0) {
            fwrite(spool->bytes, 1, (size_t)got, out);
            at += got;
        } else if (got == 0 || errno != EINTR) {
            spool->error = got == 0 ? EIO : errno;
        }
    }
    fwrite(spool->bytes, 1, spool->used, out);
    spool->filed = 0;
    spool->used = 0;
    errno = spool->error;
    return spool->error == 0 ? 0 : -1;
}

void spool_close(struct spool *spool)
{
    if (spool->has_file)
        close(spool->fd);
    spool->has_file = false;
}
