/*
 * padtool: a bench tool for whoever builds a keypad: who it is, what its serial shall be, whether every key and lamp works. It speaks
 * docs/protocol.md over a serial port and stores nothing. One program at a time may have the port: stop the daemon first.
 */
#include "bellrope/wire.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static const char usage[] =
    "usage: bellrope-padtool PORT hello\n"
    "       bellrope-padtool PORT serial NAME     once and for ever: 1 to 15 of 0-9 A-Z a-z - _\n"
    "       bellrope-padtool PORT try [--discard] shows each key as it is pressed, and lights green; ends "
    "with Ctrl-C\n"
    "\n"
    "Stop the daemon first: one program at a time may have the port.\n"
    "Exit status: 0 done, 1 refused or failed, 2 usage.\n";

enum { HELLO_WAIT_MS = 5000, PING_MS = 1000 };

struct tool {
    const char *port;
    int fd;
    struct wire_decoder decoder;
    struct wire_hello hello;
    unsigned hellos;
    bool trying;
    uint16_t ping_id;
    int64_t ping_ms;
    unsigned pressed[256]; /* by key */
    unsigned keys_seen;
};

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* ---- port ---- */

static int open_port(const char *path)
{
    struct termios raw;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) {
        fprintf(stderr, "%s: %s\n", path, strerror(errno));
        return -1;
    }
    if (tcgetattr(fd, &raw) != 0) {
        fprintf(stderr, "%s: not a serial port\n", path);
        close(fd);
        return -1;
    }
    cfmakeraw(&raw);
    cfsetispeed(&raw, B115200);
    cfsetospeed(&raw, B115200);
    raw.c_cflag = (raw.c_cflag & ~(tcflag_t)(CSTOPB | PARENB | HUPCL)) | CLOCAL | CREAD;
    tcsetattr(fd, TCSANOW, &raw);
    tcflush(fd, TCIOFLUSH);
    return fd;
}

static void say(const struct tool *tool, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int n = wire_encode(message, frame, sizeof frame);
    if (n > 0 && write(tool->fd, frame, (size_t)n) != n) {
        fprintf(stderr, "%s: %s\n", tool->port, strerror(errno));
    }
}

/* ---- what the pad says ---- */

static void key_name(const struct tool *tool, uint8_t key, char name[4])
{
    if (!wire_key_name(key, tool->hello.cols, name)) {
        memcpy(name, "?", 2);
    }
}

static void on_press(struct tool *tool, const struct wire_press *press)
{
    struct wire_message kept = {.type = WIRE_KEPT};
    char name[4];
    if (!tool->trying) {
        return;
    }
    key_name(tool, press->key, name);
    tool->keys_seen += press->gesture != WIRE_HOLD && tool->pressed[press->key]++ == 0;
    printf("%-4s %-6s number %" PRIu32
           ", %.6f s after power-up, first contact within -%u +%u us; %u of %u keys tried\n",
           name, wire_gesture_name(press->gesture), press->seq, (double)press->tick_us / 1e6,
           press->before_us, press->after_us, tool->keys_seen, tool->hello.keys);
    kept.u.kept.boot = press->boot;
    kept.u.kept.seq = press->seq;
    kept.u.kept.result = WIRE_RESULT_KEPT;
    say(tool, &kept);
}

static void on_fault(const struct tool *tool, const struct wire_fault *fault)
{
    char name[4] = "";
    if (fault->key != WIRE_NO_KEY) {
        key_name(tool, fault->key, name);
    }
    printf("fault %s %s%s%s, %" PRIu32 " so far\n", wire_fault_name(fault->code), name,
           name[0] != '\0' ? " " : "", fault->active != 0 ? "begins" : "ends", fault->count);
}

static void on_message(void *ctx, const struct wire_message *message)
{
    struct tool *tool = ctx;
    switch (message->type) {
    case WIRE_HELLO:
        tool->hello = message->u.hello;
        tool->hellos++;
        break;
    case WIRE_PRESS:
        on_press(tool, &message->u.press);
        break;
    case WIRE_FAULT:
        on_fault(tool, &message->u.fault);
        break;
    default:
        break;
    }
}

/* Reads for up to wait_ms. False when the port is gone. */
static bool listen_for(struct tool *tool, int wait_ms)
{
    uint8_t bytes[256];
    struct pollfd in = {.fd = tool->fd, .events = POLLIN};
    if (poll(&in, 1, wait_ms) <= 0) {
        return true;
    }
    ssize_t n = read(tool->fd, bytes, sizeof bytes);
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
        fprintf(stderr, "%s: the pad is gone\n", tool->port);
        return false;
    }
    wire_decoder_feed(&tool->decoder, bytes, n > 0 ? (size_t)n : 0, on_message, tool);
    return true;
}

/* Asks until a HELLO comes: a board that restarts when its port is opened takes a second or two. */
static bool greet(struct tool *tool)
{
    struct wire_message ask = {.type = WIRE_ASK_HELLO};
    unsigned before = tool->hellos;
    ask.u.ask_hello.version = WIRE_VERSION;
    for (int64_t end = now_ms() + HELLO_WAIT_MS, next = 0; now_ms() < end;) {
        if (now_ms() >= next) {
            say(tool, &ask);
            next = now_ms() + 500;
        }
        if (!listen_for(tool, 50)) {
            return false;
        }
        if (tool->hellos > before) {
            return true;
        }
    }
    fprintf(stderr,
            "%s: no keypad answers within %d s (%u bytes' worth of bad frames); is it flashed, and the port "
            "free?\n",
            tool->port, HELLO_WAIT_MS / 1000, tool->decoder.counters.crc + tool->decoder.counters.cobs);
    return false;
}

/* ---- verbs ---- */

static int show_hello(struct tool *tool)
{
    const struct wire_hello *hello = &tool->hello;
    printf("serial         %s\n", hello->serial[0] != '\0' ? hello->serial : "(not set)");
    printf("protocol       %u\n", hello->version);
    printf("firmware       %u.%u\n", hello->release / 256u, hello->release % 256u);
    printf("power-up       %" PRIu32 "%s\n", hello->boot,
           (hello->flags & WIRE_HELLO_NUMBERED) != 0 ? "" : " (guessed: the first of this memory)");
    printf("began by       %s%s%s%s\n", (hello->flags & WIRE_HELLO_POWER_ON) != 0 ? "power-on " : "",
           (hello->flags & WIRE_HELLO_BROWN_OUT) != 0 ? "brown-out " : "",
           (hello->flags & WIRE_HELLO_WATCHDOG) != 0 ? "watchdog " : "",
           (hello->flags & WIRE_HELLO_EXTERNAL) != 0 ? "reset " : "");
    printf("keys           %u: %u rows of %u, %s\n", hello->keys, hello->rows, hello->cols,
           (hello->flags & WIRE_HELLO_DIODES) != 0 ? "with diodes" : "no diodes");
    printf("presses        %u waiting, room for %u\n", hello->waiting, hello->room);
    return 0;
}

static int set_serial(struct tool *tool, const char *name)
{
    struct wire_message set = {.type = WIRE_SERIAL_SET};
    if (!wire_serial_valid(name)) {
        fprintf(stderr, "'%s' is no serial: 1 to %d of 0-9 A-Z a-z - _\n", name, WIRE_SERIAL_MAX);
        return 2;
    }
    if (tool->hello.serial[0] != '\0') {
        fprintf(stderr, "this pad is %s already, for ever; only erasing its EEPROM changes that\n",
                tool->hello.serial);
        return 1;
    }
    snprintf(set.u.serial_set.serial, sizeof set.u.serial_set.serial, "%s", name);
    say(tool, &set);
    /* Its EEPROM takes 60 ms; until then it still says that it has none. */
    for (int64_t end = now_ms() + HELLO_WAIT_MS; strcmp(tool->hello.serial, name) != 0 && now_ms() < end;) {
        if (!listen_for(tool, 50) || !greet(tool)) {
            return 1;
        }
    }
    if (strcmp(tool->hello.serial, name) != 0) {
        fprintf(stderr, "the pad did not take the serial\n");
        return 1;
    }
    printf("this pad is %s from now on\n", name);
    return 0;
}

static int try_keys(struct tool *tool, bool discard)
{
    if (tool->hello.waiting > 0 && !discard) {
        fprintf(stderr,
                "%u presses wait in this pad for the daemon; trying keys would throw them away. --discard "
                "does so.\n",
                tool->hello.waiting);
        return 1;
    }
    printf("press every key; the lamp shows amber, then green; nothing is stored\n");
    tool->trying = true;
    for (;;) {
        if (now_ms() >= tool->ping_ms) {
            struct wire_message ping = {.type = WIRE_PING, .u.ping.id = ++tool->ping_id};
            tool->ping_ms = now_ms() + PING_MS;
            say(tool, &ping);
        }
        if (!listen_for(tool, 100)) {
            return 1;
        }
    }
}

int main(int argc, char **argv)
{
    static struct tool tool;
    if (argc == 2 && strcmp(argv[1], "--help") == 0) {
        fputs(usage, stdout);
        return 0;
    }
    bool hello = argc == 3 && strcmp(argv[2], "hello") == 0;
    bool serial = argc == 4 && strcmp(argv[2], "serial") == 0;
    bool discard = argc == 4 && strcmp(argv[3], "--discard") == 0;
    bool trying = (argc == 3 || discard) && strcmp(argv[2], "try") == 0;
    if (!hello && !serial && !trying) {
        fputs(usage, stderr);
        return 2;
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
    wire_decoder_init(&tool.decoder);
    tool.port = argv[1];
    tool.fd = open_port(argv[1]);
    if (tool.fd < 0 || !greet(&tool)) {
        return 1;
    }
    int status = hello ? show_hello(&tool) : serial ? set_serial(&tool, argv[3]) : try_keys(&tool, discard);
    close(tool.fd);
    return status;
}
