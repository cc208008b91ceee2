#include "pty.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

/* A uv_poll_t lives and dies with its descriptor: each plugging has one of its own. */
struct master {
    uv_poll_t poll;
    struct pty *pty; /* NULL: pulled */
    int fd;
};

struct pty {
    uv_loop_t *loop;
    char link[512];
    pty_sink *sink;
    void *ctx;
    struct master *master; /* NULL: pulled */
    bool open;             /* somebody has the other end */
};

struct pty *pty_new(uv_loop_t *loop, const char *link, pty_sink *sink, void *ctx)
{
    struct pty *pty = calloc(1, sizeof *pty);
    if (!pty)
        return NULL;
    pty->loop = loop;
    pty->sink = sink;
    pty->ctx = ctx;
    snprintf(pty->link, sizeof pty->link, "%s", link);
    return pty;
}

static void on_closed(uv_handle_t *handle)
{
    struct master *master = handle->data;
    (void)close(master->fd);
    free(master);
}

static void other_end_closed(struct pty *pty)
{
    (void)uv_poll_stop(&pty->master->poll);
    pty->open = false;
}

static void on_readable(uv_poll_t *poll_handle, int status, int events)
{
    struct master *master = poll_handle->data;
    struct pty *pty = master->pty;
    (void)events;
    if (!pty)
        return;
    uint8_t bytes[512];
    ssize_t n = status < 0 ? -1 : read(master->fd, bytes, sizeof bytes);
    if (n > 0)
        pty->sink(pty->ctx, bytes, (size_t)n);
    else if (status < 0 || n == 0 || (errno != EAGAIN && errno != EINTR))
        other_end_closed(pty);
}

/* Opening and closing the other end once marks it as closed, so that a later opening can be seen. */
static int touch_other_end(const char *name)
{
    struct termios raw;
    int fd = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    if (tcgetattr(fd, &raw) == 0) {
        cfmakeraw(&raw);
        (void)tcsetattr(fd, TCSANOW, &raw);
    }
    (void)close(fd);
    return 0;
}

static int put_link(const struct pty *pty, const char *name)
{
    char beside[sizeof pty->link + 8];
    snprintf(beside, sizeof beside, "%s.new", pty->link);
    (void)unlink(beside);
    if (symlink(name, beside) != 0 || rename(beside, pty->link) != 0)
        return -errno;
    return 0;
}

static int open_master(char *name, size_t size)
{
    int fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    if (grantpt(fd) != 0 || unlockpt(fd) != 0 || ptsname_r(fd, name, size) != 0) {
        int error = -errno;
        (void)close(fd);
        return error;
    }
    return fd;
}

int pty_plug(struct pty *pty)
{
    char name[128];
    int fd = open_master(name, sizeof name);
    if (fd < 0)
        return fd;
    struct master *master = calloc(1, sizeof *master);
    int error = master ? touch_other_end(name) : -ENOMEM;
    if (error == 0)
        error = put_link(pty, name);
    if (error == 0)
        error = uv_poll_init(pty->loop, &master->poll, fd);
    if (error != 0) {
        free(master);
        (void)close(fd);
        return error;
    }
    master->poll.data = master;
    master->fd = fd;
    master->pty = pty;
    pty->master = master;
    pty->open = false;
    return 0;
}

void pty_pull(struct pty *pty)
{
    if (!pty->master)
        return;
    struct master *master = pty->master;
    (void)unlink(pty->link);
    master->pty = NULL;
    pty->master = NULL;
    pty->open = false;
    (void)uv_poll_stop(&master->poll);
    uv_close((uv_handle_t *)&master->poll, on_closed);
}

void pty_watch(struct pty *pty)
{
    if (!pty->master || pty->open)
        return;
    struct pollfd look = {.fd = pty->master->fd, .events = POLLIN};
    if (poll(&look, 1, 0) < 0 || (look.revents & POLLHUP))
        return;
    pty->open = uv_poll_start(&pty->master->poll, UV_READABLE, on_readable) == 0;
}

void pty_send(struct pty *pty, const uint8_t *bytes, size_t len)
{
    if (pty->master && pty->open)
        (void)!write(pty->master->fd, bytes, len);
}

void pty_close(struct pty *pty)
{
    if (!pty)
        return;
    pty_pull(pty);
    free(pty);
}
