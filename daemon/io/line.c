#include "io/line.h"

#include "core/fields.h"
#include "io/arrival.h"
#include "io/backoff.h"
#include "io/hostclock.h"
#include "io/log.h"
#include "io/serial.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* READ_BYTES: as much as a pipe holds, so that one read catches up with it. */
enum { READ_BYTES = 65536, FIRST_WAIT_MS = 100, LAST_WAIT_MS = 2000, PATH_SIZE = 1024, USB_SERIAL_SIZE = 64 };

struct line {
    uv_poll_t poll;
    uv_timer_t timer; /* runs only while the line is down, and for a moment after a failed write */
    struct arrival arrival;
    uv_loop_t *loop;
    struct serial *serial; /* NULL: down */
    int handles; /* that the loop has not closed yet; the poll is used again when its own is closed */
    bool closing;
    void (*closed)(void *ctx);
    void *closed_ctx;
    bool watches_room;
    int write_error;
    bool is_file; /* `path` names a file, or USB ids one below /dev */
    struct backoff backoff;
    struct line_counters counters;
    size_t queued;
    uint8_t queue[LINE_QUEUE_BYTES];
    char trouble[192]; /* what was last told of why it is down: told once */
    /* the plan */
    char name[64];
    bool by_usb;
    char path[PATH_SIZE]; /* by USB ids: where it was found last, at first the ids */
    uint16_t usb_vendor, usb_product;
    char usb_serial[USB_SERIAL_SIZE];
    uint32_t baud;
    line_open_fn *open;
    void *open_ctx;
    enum input_kind bytes, up, down;
    int source;
    struct deliver deliver;
};

static void on_ready(uv_poll_t *poll, int status, int events);
static void on_timer(uv_timer_t *timer);

/* At first again and again; then, where the folder tells what comes, seldom. */
static void try_later(struct line *line)
{
    uint32_t wait_ms = backoff_next_ms(&line->backoff);
    bool tells = line->is_file && arrival_watch(&line->arrival, line->by_usb ? "/dev/" : line->path);
    if (tells && wait_ms >= line->backoff.last_ms)
        wait_ms = ARRIVAL_QUIET_MS;
    uv_timer_start(&line->timer, on_timer, wait_ms, 0);
}

static void on_arrival(void *ctx)
{
    struct line *line = ctx;
    backoff_reset(&line->backoff);
    if (!line->closing && line->serial == NULL)
        uv_timer_start(&line->timer, on_timer, 0, 0);
}

static void on_closed(uv_handle_t *handle)
{
    struct line *line = handle->data;
    if (--line->handles == 0) {
        if (line->closed != NULL)
            line->closed(line->closed_ctx);
        free(line);
    } else if (!line->closing) {
        try_later(line);
    }
}

/* First the poll, then the port: the loop must never watch a descriptor that is closed or belongs to another. */
static void shut(struct line *line)
{
    if (line->serial == NULL)
        return;
    uv_poll_stop(&line->poll);
    uv_close((uv_handle_t *)&line->poll, on_closed);
    uv_timer_stop(&line->timer);
    serial_close(line->serial);
    line->serial = NULL;
    line->queued = 0;
    line->write_error = 0;
}

static void go_down(struct line *line, const char *why)
{
    shut(line);
    log_warning("%s: %s: %s; looking for it again", line->name, line->path, why);
    snprintf(line->trouble, sizeof line->trouble, "%s", why);
    deliver_state(&line->deliver, line->down, line->source, "down", why);
}

static const char *gone_why(const struct line *line, ssize_t error)
{
    if (error != -EIO)
        return strerror((int)-error);
    return line->open == NULL ? "unplugged or hung up" : "ended";
}

static void watch(struct line *line)
{
    line->watches_room = line->queued > 0;
    uv_poll_start(&line->poll, UV_READABLE | UV_DISCONNECT | (line->watches_room ? UV_WRITABLE : 0),
                  on_ready);
}

/* Writes what it can. A failed write is acted on by the timer, because this may run within a delivery. */
static void drain(struct line *line)
{
    ssize_t put = serial_write(line->serial, line->queue, line->queued);
    if (put < 0) {
        line->write_error = (int)put;
        uv_timer_start(&line->timer, on_timer, 0, 0);
        return;
    }
    line->counters.bytes_out += (uint64_t)put;
    line->queued -= (size_t)put;
    memmove(line->queue, line->queue + put, line->queued);
    if (line->watches_room != (line->queued > 0))
        watch(line);
}

bool line_send(struct line *line, const void *bytes, size_t len)
{
    if (line->serial == NULL || line->write_error != 0)
        return false;
    if (len > LINE_QUEUE_BYTES - line->queued) {
        line->counters.frames_dropped++;
        return false;
    }
    memcpy(line->queue + line->queued, bytes, len);
    line->queued += len;
    drain(line);
    return true;
}

/* One read a turn: level-triggered polling comes back for more, and others get their turn in between. */
static void take_bytes(struct line *line)
{
    uint8_t bytes[READ_BYTES];
    ssize_t got = serial_read(line->serial, bytes, sizeof bytes);
    mono_ns now = hostclock_now();
    if (got < 0) {
        go_down(line, gone_why(line, got));
    } else if (got > 0) {
        backoff_reset(&line->backoff);
        line->counters.bytes_in += (uint64_t)got;
        line->deliver.fn(line->deliver.ctx, line->bytes, line->source, now, bytes, (size_t)got);
    }
}

static void on_ready(uv_poll_t *poll, int status, int events)
{
    struct line *line = poll->data;
    if (status < 0) {
        go_down(line,
                gone_why(line, status == UV_EBADF ? -EIO : status)); /* EBADF: libuv's word for POLLERR */
        return;
    }
    if (events & UV_READABLE)
        take_bytes(line);
    /* What was still readable comes first; the hang-up is there again at the next turn. */
    else if (events & UV_DISCONNECT)
        go_down(line, gone_why(line, -EIO));
    if (line->serial != NULL && (events & UV_WRITABLE) && line->queued > 0)
        drain(line);
}

/* The device file now, where it is known by its USB ids. */
static bool find_path(struct line *line)
{
    if (!line->by_usb)
        return true;
    return serial_find_usb(line->usb_vendor, line->usb_product, line->usb_serial, line->path,
                           sizeof line->path);
}

static struct serial *open_port(struct line *line, struct serial_error *error)
{
    if (!find_path(line)) {
        snprintf(error->text, sizeof error->text, "no port with these USB ids is plugged in");
        return NULL;
    }
    if (line->open == NULL)
        return serial_open(line->path, line->baud, error);
    int fd = line->open(line->open_ctx, line->path, error->text, sizeof error->text);
    return fd < 0 ? NULL : serial_adopt(fd);
}

static void deliver_up(struct line *line)
{
    char record[PATH_SIZE + 64];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, "up");
    fields_put(&writer, "port", line->path);
    line->deliver.fn(line->deliver.ctx, line->up, line->source, hostclock_now(), record, writer.len);
}

static void try_open(struct line *line)
{
    struct serial_error error = {"not enough memory"};
    struct serial *serial = open_port(line, &error);
    if (serial != NULL && uv_poll_init(line->loop, &line->poll, serial_fd(serial)) != 0) {
        snprintf(error.text, sizeof error.text, "cannot be watched");
        serial_close(serial);
        serial = NULL;
    }
    if (serial == NULL) {
        if (strcmp(line->trouble, error.text) != 0)
            log_warning("%s: %s: %s; trying again until it is there", line->name, line->path, error.text);
        snprintf(line->trouble, sizeof line->trouble, "%s", error.text);
        try_later(line);
        return;
    }
    arrival_rest(&line->arrival);
    line->serial = serial;
    line->poll.data = line;
    line->handles++;
    line->trouble[0] = '\0';
    line->counters.times_up++;
    watch(line);
    const enum serial_latency latency = serial_latency(serial);
    log_info("%s: %s: open%s", line->name, line->path, latency == SERIAL_LATENCY_LOW ? ", low latency" : "");
    if (latency == SERIAL_LATENCY_REFUSED)
        log_warning("%s: %s: low latency was refused (not permitted): the adapter gathers bytes, instants "
                    "are less sharp; set its "
                    "latency_timer to 1 by a udev rule",
                    line->name, line->path);
    deliver_up(line);
}

static void on_timer(uv_timer_t *timer)
{
    struct line *line = timer->data;
    if (line->serial == NULL)
        try_open(line);
    else if (line->write_error != 0)
        go_down(line, gone_why(line, line->write_error));
}

static void copy_plan(struct line *line, const struct line_plan *plan)
{
    snprintf(line->name, sizeof line->name, "%s", plan->name);
    line->by_usb = plan->path == NULL;
    if (line->by_usb) {
        line->usb_vendor = plan->usb_vendor;
        line->usb_product = plan->usb_product;
        snprintf(line->usb_serial, sizeof line->usb_serial, "%s", plan->usb_serial);
        snprintf(line->path, sizeof line->path, "usb:%04x:%04x:%s", plan->usb_vendor, plan->usb_product,
                 plan->usb_serial);
    } else {
        snprintf(line->path, sizeof line->path, "%s", plan->path);
    }
    line->is_file = !plan->is_command;
    line->baud = plan->baud;
    line->open = plan->open;
    line->open_ctx = plan->open_ctx;
    line->bytes = plan->bytes;
    line->up = plan->up;
    line->down = plan->down;
    line->source = plan->source;
    line->deliver = plan->deliver;
}

struct line *line_new(uv_loop_t *loop, const struct line_plan *plan)
{
    struct line *line = calloc(1, sizeof *line);
    if (line == NULL)
        return NULL;
    copy_plan(line, plan);
    line->loop = loop;
    line->backoff.first_ms = plan->first_wait_ms != 0 ? plan->first_wait_ms : FIRST_WAIT_MS;
    line->backoff.last_ms = plan->last_wait_ms != 0 ? plan->last_wait_ms : LAST_WAIT_MS;
    uv_timer_init(loop, &line->timer);
    line->timer.data = line;
    arrival_open(&line->arrival, loop, on_arrival, line);
    line->arrival.poll.data = line;
    line->handles = arrival_is_open(&line->arrival) ? 2 : 1;
    uv_timer_start(&line->timer, on_timer, 0, 0);
    return line;
}

int line_open_stream(void *ctx, const char *path, char *error, size_t error_size)
{
    (void)ctx;
    struct stat info;
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0 || fstat(fd, &info) != 0) {
        snprintf(error, error_size, "%s", strerror(errno));
    } else if (!S_ISFIFO(info.st_mode) && !S_ISCHR(info.st_mode)) {
        snprintf(error, error_size, "is neither a fifo nor a device");
    } else {
        return fd;
    }
    if (fd >= 0)
        close(fd);
    return -1;
}

bool line_is_up(const struct line *line)
{
    return line->serial != NULL;
}

const struct line_counters *line_counters(const struct line *line)
{
    return &line->counters;
}

void line_close(struct line *line, void (*closed)(void *ctx), void *ctx)
{
    if (line == NULL || line->closing)
        return;
    line->closing = true;
    line->closed = closed;
    line->closed_ctx = ctx;
    shut(line);
    if (arrival_is_open(&line->arrival))
        arrival_close(&line->arrival, on_closed);
    uv_close((uv_handle_t *)&line->timer, on_closed);
}
