/*
 * Pads on lines that come and go, over pseudo-terminals: the test holds the master's end. The loop runs until what is
 * expected has happened; a guard timer only ever fails the test.
 */
#include "io/padlink.h"

#include "core/fields.h"
#include "io/evdev.h"
#include "io/line.h"
#include "io/serial.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/input.h>
#include <linux/serial.h>
#include <pty.h>
#include <sys/ioctl.h>
#include <sys/syscall.h>
#include <termios.h>
#include <poll.h>

#include "io_bench.h"

static char port[96]; /* a symbolic link to whatever pseudo-terminal there is */
static int master;
static struct padlink *pad;

static void plug_in(void)
{
    int slave = -1;
    char name[64];
    assert_int_equal(openpty(&master, &slave, name, NULL, NULL), 0);
    assert_int_equal(fcntl(master, F_SETFL, O_NONBLOCK), 0);
    (void)unlink(port);
    assert_int_equal(symlink(name, port), 0);
    close(slave);
}

static void pull_out(void)
{
    (void)unlink(port);
    close(master);
    master = -1;
}

static int set_up(void **state)
{
    master = -1;
    int result = bench_set_up(state);
    bench.keep = INPUT_PAD;
    snprintf(port, sizeof port, "%s/pad", bench.folder);
    return result;
}

static int tear_down(void **state)
{
    padlink_close(pad);
    pad = NULL;
    if (master >= 0)
        close(master);
    (void)unlink(port);
    return bench_tear_down(state);
}

static void begin(void)
{
    struct config_pad config = {.port = CONFIG_PORT_PATH, .baud = 115200};
    snprintf(config.path, sizeof config.path, "%s", port);
    pad = padlink_new(&bench.loop, "bridge", &config, 5, &bench_deliver);
    assert_non_null(pad);
}

static void test_bytes_come_and_go(void **state)
{
    (void)state;
    plug_in();
    begin();
    bench_run_until_seen(1);
    assert_int_equal(bench.seen[0].kind, INPUT_PAD_UP);
    assert_int_equal(bench.seen[0].source, 5);

    struct fields fields;
    char op[8], told[96];
    assert_true(fields_parse(&fields, bench.seen[0].text, strlen(bench.seen[0].text)));
    assert_true(fields_text(&fields, "op", op, sizeof op) && strcmp(op, "up") == 0);
    assert_true(fields_text(&fields, "port", told, sizeof told) && strcmp(told, port) == 0);

    /* every value of a byte goes through as it is */
    uint8_t all[256];
    for (int i = 0; i < 256; i++)
        all[i] = (uint8_t)i;
    assert_int_equal(write(master, all, sizeof all), sizeof all);
    bench_run_until_bytes(sizeof all);
    assert_memory_equal(bench.bytes, all, sizeof all);

    uint8_t back[256];
    assert_true(padlink_send(pad, all, sizeof all));
    ssize_t got = read(master, back, sizeof back);
    assert_int_equal(got, sizeof back);
    assert_memory_equal(back, all, sizeof all);
}

static void test_a_pad_that_is_pulled_is_found_again(void **state)
{
    (void)state;
    plug_in();
    begin();
    bench_run_until_seen(1);
    const char *long_run = getenv("BELLROPE_LONG");
    int times = long_run != NULL && long_run[0] != '\0' ? 1000 : 5;
    for (int i = 0; i < times; i++) {
        bench.count = 0;
        bench.len = 0;
        pull_out();
        bench_run_until_seen(1);
        assert_int_equal(bench.seen[0].kind, INPUT_PAD_DOWN);
        assert_non_null(strstr(bench.seen[0].text, "why="));
        assert_false(padlink_send(pad, "x", 1));
        plug_in();
        bench_run_until_seen(2);
        assert_int_equal(bench.seen[1].kind, INPUT_PAD_UP);
        assert_int_equal(write(master, "back", 4), 4);
        bench_run_until_bytes(4);
        assert_memory_equal(bench.bytes, "back", 4);
    }
}

/* What the pad sent before it was pulled is delivered before the pad is called gone. */
static void test_last_bytes_before_the_pull_are_kept(void **state)
{
    (void)state;
    plug_in();
    begin();
    bench_run_until_seen(1);
    assert_int_equal(write(master, "last", 4), 4);
    bench_run_until_bytes(4);
    pull_out();
    bench_run_until_seen(3);
    assert_int_equal(bench.seen[1].kind, INPUT_PAD);
    assert_int_equal(bench.seen[2].kind, INPUT_PAD_DOWN);
}

static void test_a_pad_that_is_not_there_yet(void **state)
{
    (void)state;
    begin();
    bench_turn(); /* the first try fails */
    assert_int_equal(bench.count, 0);
    plug_in();
    bench_run_until_seen(1);
    assert_int_equal(bench.seen[0].kind, INPUT_PAD_UP);
}

static void test_what_is_no_port(void **state)
{
    (void)state;
    int fd = open(port, O_CREAT | O_WRONLY, 0600);
    assert_true(fd >= 0);
    close(fd);
    begin();
    bench_turn();
    plug_in();
    bench_run_until_seen(1);
    assert_int_equal(bench.seen[0].kind, INPUT_PAD_UP);
}

/* A pad that does not read: frames wait up to the queue's size, later ones are dropped whole, none is torn. */
static void test_a_full_line_drops_whole_frames(void **state)
{
    (void)state;
    enum { FRAME = 100 };
    plug_in();
    begin();
    bench_run_until_seen(1);
    size_t taken = 0;
    uint8_t frame[FRAME];
    for (int i = 0; i < 100000; i++) {
        memset(frame, i & 0xff, sizeof frame);
        if (!padlink_send(pad, frame, sizeof frame))
            break;
        taken++;
    }
    assert_true(taken * FRAME >= LINE_QUEUE_BYTES / FRAME * FRAME);
    assert_true(taken < 100000);

    size_t got = 0;
    while (got < taken * FRAME) {
        uint8_t bytes[4096];
        ssize_t n = read(master, bytes, sizeof bytes);
        if (n < 0)
            assert_int_equal(errno, EAGAIN);
        for (ssize_t i = 0; i < n; i++, got++)
            assert_int_equal(bytes[i], (uint8_t)(got / FRAME));
        bench_turn();
    }
    assert_true(padlink_send(pad, frame, sizeof frame));
}

static void test_one_port_one_holder(void **state)
{
    (void)state;
    plug_in();
    begin();
    bench_run_until_seen(1);
    struct padlink *first = pad;
    begin(); /* a second on the same port: waits */
    struct padlink *second = pad;
    bench_turn();
    bench_turn();
    assert_int_equal(bench.count, 1);
    padlink_close(first);
    bench_run_until_seen(2); /* now it gets it */
    pad = second;
}

static void close_it(void)
{
    padlink_close(pad);
    pad = NULL;
}

static void test_close_from_within_a_delivery(void **state)
{
    (void)state;
    plug_in();
    begin();
    bench.then = close_it;
    bench_run_until_seen(1);
    assert_null(pad);
    bench_run_until_closed();
    assert_int_equal(bench.count, 1);
}

/*
 * Through libserialport, without a device. It takes what is under /sys/class/tty; the multiplexer of pseudo-terminals is,
 * and opening it gives a master. What a master lacks of a serial driver (modem lines, TIOCGSERIAL) is played here, by an
 * ioctl() that the library calls in place of libc's.
 */
static struct {
    bool plays;   /* a serial driver */
    bool refuses; /* to let this user set it */
    int modem;
    struct serial_struct settings;
} driver;

int ioctl(int fd, unsigned long request, ...)
{
    va_list args;
    va_start(args, request);
    void *arg = va_arg(args, void *);
    va_end(args);
    if (!driver.plays)
        return (int)syscall(SYS_ioctl, fd, request, arg);
    switch (request) {
    case TIOCMGET:
        *(int *)arg = driver.modem;
        return 0;
    case TIOCMSET:
    case TIOCMBIS:
    case TIOCMBIC:
        return 0;
    case TIOCGSERIAL:
        *(struct serial_struct *)arg = driver.settings;
        return 0;
    case TIOCSSERIAL:
        if (driver.refuses) {
            errno = EPERM;
            return -1;
        }
        driver.settings = *(struct serial_struct *)arg;
        return 0;
    default:
        return (int)syscall(SYS_ioctl, fd, request, arg);
    }
}

static void note_refusal(void *ctx, enum log_level level, const char *text)
{
    if (level == LOG_LEVEL_WARNING && strstr(text, "low latency was refused") != NULL)
        ++*(int *)ctx;
}

/* Not permitted is told in the log, so that somebody sets the adapter's timer; where the driver has no such mode nothing is said. */
static void test_low_latency_refused(void **state)
{
    (void)state;
    struct serial_error error;
    int told = 0;
    driver.plays = driver.refuses = true;
    struct serial *serial = serial_open("/dev/ptmx", 57600, &error);
    assert_non_null(serial);
    assert_int_equal(serial_latency(serial), SERIAL_LATENCY_REFUSED);
    serial_close(serial);
    log_divert(note_refusal, &told);
    assert_int_equal(symlink("/dev/ptmx", port), 0);
    begin();
    bench_run_until_seen(1);
    assert_int_equal(bench.seen[0].kind, INPUT_PAD_UP);
    log_divert(bench_no_log, NULL);
    driver.plays = driver.refuses = false;
    assert_int_equal(told, 1);
}

static void test_through_libserialport(void **state)
{
    (void)state;
    struct serial_error error;
    uint8_t bytes[64];
    struct termios mode;
    driver.plays = true;
    struct serial *serial = serial_open("/dev/ptmx", 57600, &error);
    driver.plays = false;
    if (serial == NULL)
        fail_msg("%s", error.text);
    assert_string_equal(error.text, "");
    assert_int_equal(serial_latency(serial), SERIAL_LATENCY_LOW);
    assert_true(((unsigned)driver.settings.flags & ASYNC_LOW_LATENCY) != 0);
    assert_int_equal(tcgetattr(serial_fd(serial), &mode), 0);
    assert_int_equal(cfgetospeed(&mode), B57600);
    assert_int_equal(mode.c_cflag & (CSIZE | PARENB | CSTOPB | CRTSCTS | HUPCL), CS8);
    assert_int_equal(mode.c_lflag & (ICANON | ECHO | ISIG), 0);

    assert_int_equal(serial_read(serial, bytes, sizeof bytes), 0);
    assert_int_equal(unlockpt(serial_fd(serial)), 0);
    int slave = open(ptsname(serial_fd(serial)), O_RDWR | O_NOCTTY);
    assert_true(slave >= 0);
    assert_int_equal(write(slave, "from pad", 8), 8);
    assert_int_equal(serial_read(serial, bytes, sizeof bytes), 8);
    assert_memory_equal(bytes, "from pad", 8);
    assert_int_equal(serial_write(serial, "to pad", 6), 6);
    assert_int_equal(read(slave, bytes, sizeof bytes), 6);
    assert_memory_equal(bytes, "to pad", 6);
    close(slave);
    assert_int_equal(serial_read(serial, bytes, sizeof bytes), -EIO); /* the other end is gone */
    serial_close(serial);
}

static void test_what_serial_refuses(void **state)
{
    (void)state;
    struct serial_error error;
    assert_null(serial_open("/dev/null", 9600, &error));
    assert_string_equal(error.text, "is no serial port: Inappropriate ioctl for device");
    assert_null(serial_open("/nowhere", 9600, &error));
    assert_string_equal(error.text, "No such file or directory");
    char path[64];
    assert_false(serial_find_usb(0xfffe, 0xfffe, "", path, sizeof path));
}

/* ---- number pads ---- */

struct pressed {
    int count;
    char key[8][KEY_SIZE];
    uint32_t seq[8];
    int64_t at_ns[8];
};

static void on_press(void *ctx, const char *key, uint32_t seq, mono_ns at)
{
    struct pressed *pressed = ctx;
    assert_true(pressed->count < 8);
    snprintf(pressed->key[pressed->count], KEY_SIZE, "%s", key);
    pressed->seq[pressed->count] = seq;
    pressed->at_ns[pressed->count++] = at.ns;
}

static struct input_event event(int64_t s, int64_t us, uint16_t type, uint16_t code, int32_t value)
{
    struct input_event made = {.type = type, .code = code, .value = value};
    made.input_event_sec = s;
    made.input_event_usec = us;
    return made;
}

/* The order in which a USB keyboard's driver reports: MSC_SCAN, the key, SYN_REPORT. */
static void test_number_pad_presses(void **state)
{
    (void)state;
    const struct input_event events[] = {
        event(100, 250000, EV_MSC, MSC_SCAN, 0x70060),
        event(100, 250000, EV_KEY, KEY_KP8, 1),
        event(100, 250000, EV_SYN, SYN_REPORT, 0),
        event(100, 500000, EV_KEY, KEY_KP8, 2), /* held: repeats */
        event(100, 500000, EV_SYN, SYN_REPORT, 1),
        event(100, 600000, EV_KEY, KEY_KP8, 0),
        event(100, 600000, EV_SYN, SYN_REPORT, 0),
        event(101, 1, EV_KEY, KEY_KPENTER, 1),
        event(101, 1, EV_KEY, KEY_A, 1), /* no key of a number pad */
        event(101, 1, EV_SYN, SYN_REPORT, 0),
    };
    struct evdev_decoder decoder = {0};
    struct pressed pressed = {0};
    evdev_decode(&decoder, events, sizeof events, on_press, &pressed);
    assert_int_equal(pressed.count, 2);
    assert_string_equal(pressed.key[0], "B2");
    assert_int_equal(pressed.seq[0], 1);
    assert_int_equal(pressed.at_ns[0], INT64_C(100250000000));
    assert_string_equal(pressed.key[1], "D4");
    assert_int_equal(pressed.seq[1], 2);
    assert_int_equal(pressed.at_ns[1], INT64_C(101000001000));
    assert_int_equal(decoder.unknown_keys, 1);
}

static void test_number_pad_overrun(void **state)
{
    (void)state;
    const struct input_event events[] = {
        event(1, 0, EV_SYN, SYN_DROPPED, 0), event(1, 0, EV_KEY, KEY_KP1, 1),
        event(1, 0, EV_SYN, SYN_REPORT, 0),  event(2, 0, EV_KEY, KEY_KP2, 1),
        event(2, 0, EV_SYN, SYN_REPORT, 0),
    };
    struct evdev_decoder decoder = {0};
    struct pressed pressed = {0};
    evdev_decode(&decoder, events, sizeof events - 5, on_press, &pressed);
    assert_int_equal(pressed.count, 1);
    assert_string_equal(pressed.key[0], "D2");
    assert_int_equal(decoder.overruns, 1);
}

static void test_what_is_no_number_pad(void **state)
{
    (void)state;
    char error[128];
    assert_true(evdev_open(NULL, "/dev/null", error, sizeof error) < 0);
    assert_string_equal(error, "is no input device: Inappropriate ioctl for device");
    assert_true(evdev_open(NULL, "/nowhere/event0", error, sizeof error) < 0);
    assert_string_equal(error, "cannot be opened: No such file or directory");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_bytes_come_and_go, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_pad_that_is_pulled_is_found_again, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_last_bytes_before_the_pull_are_kept, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_pad_that_is_not_there_yet, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_is_no_port, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_full_line_drops_whole_frames, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_one_port_one_holder, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_close_from_within_a_delivery, set_up, tear_down),
        cmocka_unit_test(test_through_libserialport),
        cmocka_unit_test_setup_teardown(test_low_latency_refused, set_up, tear_down),
        cmocka_unit_test(test_what_serial_refuses),
        cmocka_unit_test(test_number_pad_presses),
        cmocka_unit_test(test_number_pad_overrun),
        cmocka_unit_test(test_what_is_no_number_pad),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
