#include "io/arrival.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/inotify.h>
#include <sys/stat.h>
#include <unistd.h>

/* The last two: the folder itself went, and another may have to be watched. */
#define SIGNS (IN_CREATE | IN_MOVED_TO | IN_DELETE_SELF | IN_MOVE_SELF)
enum { EVENTS_BYTES = 4096 };

static bool is_sign(const struct arrival *arrival, const struct inotify_event *event)
{
    if (event->wd != arrival->watch)
        return false;
    return event->len == 0 || arrival->awaited[0] == '\0' || strcmp(event->name, arrival->awaited) == 0;
}

static void on_ready(uv_poll_t *poll, int status, int events)
{
    struct arrival *arrival = (struct arrival *)(void *)poll; /* its first member */
    _Alignas(struct inotify_event) char bytes[EVENTS_BYTES];
    bool any = false;
    ssize_t got = 0;
    (void)events;
    while (status == 0 && (got = read(arrival->fd, bytes, sizeof bytes)) > 0)
        for (ssize_t at = 0; at < got;) {
            const struct inotify_event *event = (const void *)(bytes + at);
            any = any || is_sign(arrival, event);
            at += (ssize_t)(sizeof *event + event->len);
        }
    if (any)
        arrival->fn(arrival->ctx);
}

void arrival_open(struct arrival *arrival, uv_loop_t *loop, arrival_fn *fn, void *ctx)
{
    *arrival =
        (struct arrival){.fd = inotify_init1(IN_NONBLOCK | IN_CLOEXEC), .watch = -1, .fn = fn, .ctx = ctx};
    if (arrival->fd < 0)
        return;
    if (uv_poll_init(loop, &arrival->poll, arrival->fd) != 0 ||
        uv_poll_start(&arrival->poll, UV_READABLE, on_ready) != 0) {
        close(arrival->fd);
        arrival->fd = -1;
    }
}

bool arrival_is_open(const struct arrival *arrival)
{
    return arrival->fd >= 0;
}

/* Cuts the last part of a path off and says where it begins; NULL: there is none. "x" lies in ".", "/x" in "/". */
static const char *cut(char *path)
{
    char *slash = strrchr(path, '/');
    if (slash == NULL || slash == path)
        return NULL;
    *slash = '\0';
    return slash + 1;
}

static int watch_folder(const struct arrival *arrival, const char *folder)
{
    return inotify_add_watch(arrival->fd, folder, SIGNS | IN_ONLYDIR);
}

/* The nearest folder that is there, and the name awaited in it. */
static int watch_nearest(struct arrival *arrival, const char *path)
{
    char folder[PATH_MAX];
    snprintf(folder, sizeof folder, "%s%s", path[0] == '/' ? "" : "./", path);
    for (;;) {
        const char *name = cut(folder);
        if (name == NULL) {
            snprintf(arrival->awaited, sizeof arrival->awaited, "%.*s", ARRIVAL_NAME_SIZE - 1, folder + 1);
            return watch_folder(arrival, "/");
        }
        snprintf(arrival->awaited, sizeof arrival->awaited, "%.*s", ARRIVAL_NAME_SIZE - 1, name);
        int watch = watch_folder(arrival, folder);
        if (watch >= 0 || (errno != ENOENT && errno != ENOTDIR))
            return watch;
    }
}

bool arrival_watch(struct arrival *arrival, const char *path)
{
    struct stat status;
    size_t len = strlen(path);
    bool any = len > 0 && path[len - 1] == '/';
    if (arrival->fd < 0 || len == 0 || (!any && lstat(path, &status) == 0)) {
        arrival_rest(arrival);
        return false;
    }
    int watch = watch_nearest(arrival, path);
    if (watch != arrival->watch)
        arrival_rest(arrival);
    arrival->watch = watch;
    return watch >= 0;
}

void arrival_rest(struct arrival *arrival)
{
    if (arrival->watch >= 0)
        (void)inotify_rm_watch(arrival->fd, arrival->watch);
    arrival->watch = -1;
}

void arrival_close(struct arrival *arrival, uv_close_cb closed)
{
    uv_poll_stop(&arrival->poll);
    close(arrival->fd);
    arrival->fd = arrival->watch = -1;
    uv_close((uv_handle_t *)&arrival->poll, closed);
}
