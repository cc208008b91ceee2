/*
 * A number pad as the kernel hands it out: this test plays the input driver (its ioctls) over a fifo that carries struct input_event. The
 * order of events is that of a USB keyboard's driver (the Linux kernel, Documentation/input/event-codes.rst; from memory): MSC_SCAN, the key,
 * SYN_REPORT; repeats carry value 2.
 */
#include "io/padlink.h"

#include "core/fields.h"
#include "io/evdev.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/input.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>

#include "io_bench.h"

static char path[96];
static int keyboard; /* the driver's end */
static struct padlink *pad;

static struct {
    bool held; /* by another program */
    int clock;
    int grabbed;      /* descriptor, or -1 */
    int clock_set_by; /* descriptor */
    unsigned grabs;
} driver;

int ioctl(int fd, unsigned long request, ...)
{
    va_list args;
    va_start(args, request);
    void *arg = va_arg(args, void *);
    va_end(args);
    if (request == EVIOCSCLOCKID) {
        driver.clock = *(const int *)arg;
        driver.clock_set_by = fd;
        return 0;
    }
    if (request == EVIOCGRAB && driver.held) {
        errno = EBUSY;
        return -1;
    }
    if (request == EVIOCGRAB) {
        driver.grabbed = arg != NULL ? fd : -1;
        driver.grabs++;
        return 0;
    }
    return (int)syscall(SYS_ioctl, fd, request, arg);
}

static int set_up(void **state)
{
    int result = bench_set_up(state);
    memset(&driver, 0, sizeof driver);
    driver.clock = driver.grabbed = driver.clock_set_by = -1;
    bench.keep = INPUT_PAD;
    snprintf(path, sizeof path, "%s/event", bench.folder);
    assert_int_equal(mkfifo(path, 0600), 0);
    keyboard = open(path, O_RDWR | O_NONBLOCK | O_CLOEXEC);
    assert_true(keyboard >= 0);
    return result;
}

static int tear_down(void **state)
{
    padlink_close(pad);
    pad = NULL;
    close(keyboard);
    assert_int_equal(unlink(path), 0);
    return bench_tear_down(state);
}

static void begin(void)
{
    struct config_pad config = {.port = CONFIG_PORT_EVDEV};
    snprintf(config.path, sizeof config.path, "%s", path);
    pad = padlink_new(&bench.loop, "numbers", &config, 3, &bench_deliver);
    assert_non_null(pad);
    bench_run_until_seen(2);
}

static void report(int64_t s, int64_t us, uint16_t type, uint16_t code, int32_t value)
{
    struct input_event event = {.type = type, .code = code, .value = value};
    event.input_event_sec = s;
    event.input_event_usec = us;
    assert_int_equal(write(keyboard, &event, sizeof event), sizeof event);
}

static int64_t number(const struct bench_seen *seen, const char *name)
{
    struct fields fields;
    int64_t value = -1;
    assert_true(fields_parse(&fields, seen->text, strlen(seen->text)));
    assert_true(fields_int(&fields, name, &value));
    return value;
}

static void the_device_is_grabbed_and_stamps_by_the_daemons_clock(void **state)
{
    (void)state;
    begin();
    assert_int_equal(bench.seen[0].kind, INPUT_PAD_UP);
    assert_int_equal(bench.seen[1].kind, INPUT_PAD);
    assert_non_null(strstr(bench.seen[1].text, "hello"));
    assert_int_equal(driver.clock, CLOCK_BOOTTIME);
    assert_true(driver.grabbed >= 0);
    assert_int_equal(driver.grabs, 1);
    assert_int_equal(driver.clock_set_by, driver.grabbed); /* before the first event of that opening */
}

static void a_key_down_goes_on_with_the_kernels_stamp(void **state)
{
    (void)state;
    begin();
    report(86400, 123456, EV_MSC, MSC_SCAN, 0x7005D);
    report(86400, 123456, EV_KEY, KEY_KP5, 1);
    report(86400, 123456, EV_SYN, SYN_REPORT, 0);
    report(86400, 373456, EV_KEY, KEY_KP5, 2);
    report(86400, 373456, EV_SYN, SYN_REPORT, 1);
    report(86400, 401000, EV_KEY, KEY_KP5, 0);
    report(86400, 401000, EV_SYN, SYN_REPORT, 0);
    report(86401, 1, EV_KEY, KEY_KPENTER, 1);
    report(86401, 1, EV_SYN, SYN_REPORT, 0);
    bench_run_until_seen(4);
    assert_non_null(strstr(bench.seen[2].text, "key=C2"));
    assert_int_equal(number(&bench.seen[2], "seq"), 1);
    assert_int_equal(number(&bench.seen[2], "at"), INT64_C(86400123456000));
    assert_int_equal(number(&bench.seen[2], "within"), EVDEV_WITHIN_NS);
    assert_int_equal(bench.seen[2].source, 3);
    assert_non_null(strstr(bench.seen[3].text, "key=D4"));
    assert_int_equal(number(&bench.seen[3], "seq"), 2);
    assert_int_equal(number(&bench.seen[3], "at"), INT64_C(86401000001000));
    assert_false(padlink_send(pad, "x", 1)); /* nothing goes to a keyboard */
}

static void each_opening_is_a_power_up_of_its_own(void **state)
{
    (void)state;
    begin();
    int64_t first = number(&bench.seen[1], "boot");
    report(1, 0, EV_KEY, KEY_KP1, 1);
    report(1, 0, EV_SYN, SYN_REPORT, 0);
    bench_run_until_seen(3);
    close(keyboard); /* unplugged */
    bench_run_until_seen(4);
    assert_int_equal(bench.seen[3].kind, INPUT_PAD_DOWN);
    keyboard = open(path, O_RDWR | O_NONBLOCK | O_CLOEXEC);
    assert_true(keyboard >= 0);
    int up = bench_run_until_kind(4, INPUT_PAD);
    assert_int_not_equal(number(&bench.seen[up], "boot"), first);
    assert_true(driver.grabs >= 2);
    int seen = bench.count;
    report(2, 0, EV_KEY, KEY_KP1, 1);
    report(2, 0, EV_SYN, SYN_REPORT, 0);
    bench_run_until_seen(seen + 1);
    assert_int_equal(number(&bench.seen[seen], "seq"), 1);
}

static void a_device_that_another_program_holds_is_refused(void **state)
{
    (void)state;
    char error[128];
    driver.held = true;
    assert_true(evdev_open(NULL, path, error, sizeof error) < 0);
    assert_string_equal(error, "is held by another program: Device or resource busy");
    assert_true(fcntl(driver.clock_set_by, F_GETFD) < 0); /* closed again */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_device_is_grabbed_and_stamps_by_the_daemons_clock, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_key_down_goes_on_with_the_kernels_stamp, set_up, tear_down),
        cmocka_unit_test_setup_teardown(each_opening_is_a_power_up_of_its_own, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_device_that_another_program_holds_is_refused, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
