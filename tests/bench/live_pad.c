#include "live_pad.h"

#include "live_daemon.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { KEYS = 8, APART_MS = 100 };
#define LINE_NS_A_BYTE (INT64_C(10000000000) / 115200)
#define MS INT64_C(1000000)

int64_t live_now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return now.tv_sec * INT64_C(1000000000) + now.tv_nsec;
}

int live_pty(const char *link)
{
    char name[128];
    struct termios mode;
    int fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0 || grantpt(fd) != 0 || unlockpt(fd) != 0 || ptsname_r(fd, name, sizeof name) != 0)
        live_fail("no pseudo-terminal: %s", strerror(errno));
    /* once opened and closed, it tells when it is opened again */
    int other = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (other < 0 || tcgetattr(other, &mode) != 0)
        live_fail("%s: %s", name, strerror(errno));
    cfmakeraw(&mode);
    (void)tcsetattr(other, TCSANOW, &mode);
    close(other);
    if (symlink(name, link) != 0)
        live_fail("%s: %s", link, strerror(errno));
    return fd;
}

void live_pty_opened(int fd)
{
    struct pollfd look = {.fd = fd, .events = POLLOUT};
    for (int ms = 0; ms < 10000; ms++) {
        if (poll(&look, 1, 0) > 0 && (look.revents & POLLHUP) == 0)
            return;
        usleep(1000);
    }
    live_fail("nobody opened the pad's line");
}

static void send_message(struct live_pad *pad, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int len = wire_encode(message, frame, sizeof frame);
    if (write(pad->fd, frame, (size_t)len) != len)
        live_fail("the pad's line is full");
}

static uint64_t tick_us(const struct live_pad *pad, int64_t at_ns)
{
    return (uint64_t)((at_ns - pad->boot_ns) / 1000);
}

static void say_hello(struct live_pad *pad)
{
    struct wire_message message = {.type = WIRE_HELLO,
                                   .u.hello = {.version = WIRE_VERSION,
                                               .boot = pad->boot,
                                               .tick_hz = 1000000,
                                               .rows = 4,
                                               .cols = 4,
                                               .keys = 16,
                                               .room = 64}};
    memcpy(message.u.hello.serial, pad->serial, sizeof pad->serial);
    send_message(pad, &message);
    pad->known = true;
}

static void on_heard(void *ctx, const struct wire_message *message)
{
    struct live_pad *pad = ctx;
    uint64_t now_us = tick_us(pad, live_now_ns());
    if (message->type == WIRE_ASK_HELLO) {
        say_hello(pad);
    } else if (message->type == WIRE_PING) {
        struct wire_message pong = {
            .type = WIRE_PONG,
            .u.pong = {
                .id = message->u.ping.id, .boot = pad->boot, .rx_tick_us = now_us, .tx_tick_us = now_us}};
        send_message(pad, &pong);
    } else if (message->type == WIRE_KEPT) {
        pad->kept++;
    }
}

void live_pad_open(struct live_pad *pad, const char *link, const char *serial)
{
    *pad = (struct live_pad){.fd = live_pty(link), .boot = 1, .next = 1};
    snprintf(pad->serial, sizeof pad->serial, "%s", serial);
    pad->boot_ns = live_now_ns() - 60000 * MS;
    wire_decoder_init(&pad->heard);
}

void live_pad_press(struct live_pad *pad, uint32_t count)
{
    pad->last += count;
    pad->pressed_ns = live_now_ns();
}

static void offer(struct live_pad *pad, int64_t now_ns)
{
    int64_t at_ns = pad->pressed_ns - (pad->last - pad->next + 1) * (APART_MS * MS);
    struct wire_message message = {.type = WIRE_PRESS,
                                   .u.press = {.boot = pad->boot,
                                               .seq = pad->next,
                                               .tick_us = tick_us(pad, at_ns),
                                               .before_us = 300,
                                               .key = (uint8_t)(pad->next % KEYS),
                                               .gesture = WIRE_DOWN,
                                               .offer = 1}};
    int64_t begun_ns = pad->line_free_ns > now_ns - MS ? pad->line_free_ns : now_ns;
    pad->line_free_ns = begun_ns + (int64_t)wire_frame_bytes(WIRE_PRESS) * LINE_NS_A_BYTE;
    send_message(pad, &message);
    pad->next++;
}

int64_t live_pad_run(struct live_pad *pad)
{
    uint8_t bytes[1024];
    ssize_t got;
    while ((got = read(pad->fd, bytes, sizeof bytes)) > 0)
        wire_decoder_feed(&pad->heard, bytes, (size_t)got, on_heard, pad);
    int64_t now_ns = live_now_ns();
    while (pad->known && pad->next <= pad->last && pad->next - 1 - pad->kept < LIVE_PAD_OFFERS) {
        if (pad->line_free_ns > now_ns)
            return pad->line_free_ns - now_ns;
        offer(pad, now_ns);
    }
    return INT64_MAX;
}

double live_pad_line_s(uint32_t presses)
{
    return (double)(presses * wire_frame_bytes(WIRE_PRESS)) * (double)LINE_NS_A_BYTE / 1e9;
}
