/* The word to the service manager. */
#include "io/notify.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

static void test_states_are_sent(void **state)
{
    (void)state;
    char path[] = "/tmp/bellrope-io-notify-XXXXXX", got[64] = "";
    assert_non_null(mkdtemp(path));
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s/s", path);
    int fd = socket(AF_UNIX, SOCK_DGRAM, 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(setenv("NOTIFY_SOCKET", address.sun_path, 1), 0);
    notify_send("READY=1");
    assert_int_equal(recv(fd, got, sizeof got - 1, MSG_DONTWAIT), 7);
    assert_string_equal(got, "READY=1");
    assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
    notify_send("READY=1"); /* nobody to tell */
    assert_int_equal(recv(fd, got, sizeof got, MSG_DONTWAIT), -1);
    close(fd);
    (void)unlink(address.sun_path);
    assert_int_equal(setenv("NOTIFY_SOCKET", address.sun_path, 1), 0);
    notify_send("READY=1"); /* nobody listens: no harm */
    assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
    (void)rmdir(path);
}

static void test_abstract_names(void **state)
{
    (void)state;
    char name[64], got[16] = "";
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int len = snprintf(name, sizeof name, "@bellrope-io-notify-%d", (int)getpid());
    memcpy(address.sun_path + 1, name + 1, (size_t)len - 1);
    int fd = socket(AF_UNIX, SOCK_DGRAM, 0);
    socklen_t size = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + (size_t)len);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, size), 0);
    assert_int_equal(setenv("NOTIFY_SOCKET", name, 1), 0);
    notify_send("STOPPING=1");
    assert_int_equal(recv(fd, got, sizeof got - 1, MSG_DONTWAIT), 10);
    assert_string_equal(got, "STOPPING=1");
    assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
    close(fd);
}

static void test_the_pace_of_the_watchdog(void **state)
{
    (void)state;
    char pid[16];
    snprintf(pid, sizeof pid, "%d", (int)getpid());
    assert_int_equal(notify_watchdog_ms(), 0);
    assert_int_equal(setenv("WATCHDOG_USEC", "30000000", 1), 0);
    assert_int_equal(notify_watchdog_ms(), 15000);
    assert_int_equal(setenv("WATCHDOG_PID", pid, 1), 0);
    assert_int_equal(notify_watchdog_ms(), 15000);
    assert_int_equal(setenv("WATCHDOG_PID", "1", 1), 0); /* meant for another process */
    assert_int_equal(notify_watchdog_ms(), 0);
    assert_int_equal(unsetenv("WATCHDOG_PID"), 0);
    assert_int_equal(setenv("WATCHDOG_USEC", "soon", 1), 0);
    assert_int_equal(notify_watchdog_ms(), 0);
    assert_int_equal(unsetenv("WATCHDOG_USEC"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_states_are_sent),
        cmocka_unit_test(test_abstract_names),
        cmocka_unit_test(test_the_pace_of_the_watchdog),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
