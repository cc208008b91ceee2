#include "fifo.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

enum { PIPE_BYTES = 16384, PORTION_MAX = 1024, RETRY_NS = 10000000 };

int fifo_open(struct fifo *fifo, const char *path)
{
    struct stat status;
    *fifo = (struct fifo){.path = path, .fd = -1};
    if (mkfifo(path, 0640) == 0)
        return 0;
    if (errno != EEXIST)
        return -errno;
    if (stat(path, &status) != 0)
        return -errno;
    return S_ISFIFO(status.st_mode) ? 0 : -ENOTSUP;
}

static void hang_up(struct fifo *fifo, int64_t now_ns)
{
    if (fifo->fd >= 0)
        (void)close(fifo->fd);
    fifo->fd = -1;
    fifo->retry_ns = now_ns + RETRY_NS;
}

static bool has_reader(struct fifo *fifo, int64_t now_ns)
{
    if (fifo->fd >= 0)
        return true;
    if (now_ns < fifo->retry_ns)
        return false;
    fifo->retry_ns = now_ns + RETRY_NS;
    fifo->fd = open(fifo->path, O_WRONLY | O_NONBLOCK | O_CLOEXEC);
    if (fifo->fd < 0)
        return false;
    (void)fcntl(fifo->fd, F_SETPIPE_SZ, PIPE_BYTES);
    return true;
}

void fifo_send(struct fifo *fifo, int64_t now_ns, const int16_t *samples, size_t count)
{
    uint8_t bytes[2 * PORTION_MAX];
    if (!fifo->running || count > PORTION_MAX || !has_reader(fifo, now_ns))
        return;
    for (size_t i = 0; i < count; i++) {
        uint16_t sample = (uint16_t)samples[i];
        bytes[2 * i] = (uint8_t)(sample & 0xFF);
        bytes[2 * i + 1] = (uint8_t)(sample >> 8);
    }
    /* At most PIPE_BUF bytes: all of them, or none. */
    ssize_t n = write(fifo->fd, bytes, 2 * count);
    if (n == (ssize_t)(2 * count))
        return;
    if (n < 0 && errno == EAGAIN)
        fifo->overruns++;
    hang_up(fifo, now_ns);
}

void fifo_run(struct fifo *fifo, bool running)
{
    fifo->running = running;
    if (!running)
        hang_up(fifo, 0);
}

void fifo_close(struct fifo *fifo)
{
    hang_up(fifo, 0);
}
