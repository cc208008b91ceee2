#include "export/timefile.h"

#include "export/spool.h"

#include <errno.h>
#include <stdint.h>
#include <stdlib.h>
#include <unistd.h>

#define BYTES 65536 /* in memory at a time */

struct timefile {
    int fd, error;
    int64_t size, room;    /* of a record; of memory, in records */
    int64_t count, filed;  /* all records; those of them in the file */
    int64_t next;          /* to be read */
    int64_t loaded, ready; /* in memory when reading: from which on, how many */
    char bytes[BYTES];
};

struct timefile *timefile_open(size_t size)
{
    struct timefile *file = calloc(1, sizeof *file);
    if (file == NULL)
        return NULL;
    file->fd = spool_file();
    if (file->fd < 0) {
        free(file);
        return NULL;
    }
    file->size = (int64_t)size;
    file->room = BYTES / file->size;
    return file;
}

void timefile_close(struct timefile *file)
{
    if (file != NULL)
        close(file->fd);
    free(file);
}

static void file_away(struct timefile *file)
{
    size_t len = (size_t)((file->count - file->filed) * file->size);
    errno = ENOSPC; /* unless it says otherwise */
    if (file->error == 0 && pwrite(file->fd, file->bytes, len, file->filed * file->size) != (ssize_t)len)
        file->error = errno;
    file->filed = file->count;
}

void *timefile_add(struct timefile *file)
{
    if (file->count - file->filed == file->room)
        file_away(file);
    return file->bytes + (file->count++ - file->filed) * file->size;
}

static int read_at(const struct timefile *file, int64_t index, void *out, size_t len)
{
    errno = EIO; /* unless it says otherwise */
    return pread(file->fd, out, len, index * file->size) == (ssize_t)len ? 0 : -1;
}

int timefile_seek(struct timefile *file, utc_ns at)
{
    if (file->filed < file->count)
        file_away(file);
    errno = file->error;
    int64_t low = 0, high = file->count;
    while (file->error == 0 && low < high) {
        int64_t middle = low + (high - low) / 2;
        utc_ns utc;
        if (read_at(file, middle, &utc, sizeof utc) != 0)
            return -1;
        if (utc.ns < at.ns)
            low = middle + 1;
        else
            high = middle;
    }
    file->next = low;
    return file->error == 0 ? 0 : -1;
}

const void *timefile_next(struct timefile *file, int *error)
{
    *error = 0;
    if (file->next == file->count)
        return NULL;
    if (file->next < file->loaded || file->next >= file->loaded + file->ready) {
        int64_t left = file->count - file->next;
        file->loaded = file->next;
        file->ready = left < file->room ? left : file->room;
        if (read_at(file, file->next, file->bytes, (size_t)(file->ready * file->size)) != 0) {
            *error = errno;
            file->ready = 0;
            return NULL;
        }
    }
    return file->bytes + (file->next++ - file->loaded) * file->size;
}
