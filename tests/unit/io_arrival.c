/* Whoever waits for a file hears of it when it is made or moved there, also when its folder is missing; and of nothing else. */
#include "io_bench.h"

#include "io/arrival.h"

#include <fcntl.h>
#include <sys/stat.h>

static struct arrival arrival;
static int calls;
static char path[128], folder[96];

static void on_sign(void *ctx)
{
    assert_ptr_equal(ctx, &arrival);
    calls++;
}

static void begin(const char *name)
{
    snprintf(folder, sizeof folder, "%s/in", bench.folder);
    snprintf(path, sizeof path, "%s/%s", folder, name);
    calls = 0;
    arrival_open(&arrival, &bench.loop, on_sign, &arrival);
    assert_true(arrival_is_open(&arrival));
}

static void make(const char *file)
{
    int fd = open(file, O_WRONLY | O_CREAT, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, "x", 1), 1);
    close(fd);
}

static void run_until(int wanted)
{
    while (calls < wanted)
        uv_run(&bench.loop, UV_RUN_ONCE);
    assert_int_equal(calls, wanted);
}

static void end(void)
{
    arrival_close(&arrival, NULL);
    unlink(path);
    assert_int_equal(rmdir(folder), 0);
}

static void test_a_file_that_is_made(void **state)
{
    (void)state;
    begin("pad");
    assert_int_equal(mkdir(folder, 0700), 0);
    assert_true(arrival_watch(&arrival, path));
    make(path);
    run_until(1);
    assert_false(arrival_watch(&arrival, path)); /* it is there */
    end();
}

static void test_a_link_that_is_moved_there(void **state)
{
    char beside[160];
    (void)state;
    begin("pad");
    snprintf(beside, sizeof beside, "%s/pad.new", folder);
    assert_int_equal(mkdir(folder, 0700), 0);
    assert_true(arrival_watch(&arrival, path));
    assert_int_equal(symlink("/dev/pts/99999", beside), 0); /* of another name: no sign */
    assert_int_equal(rename(beside, path), 0);
    run_until(1);
    end();
}

static void test_a_folder_that_is_missing_too(void **state)
{
    (void)state;
    begin("pad");
    assert_true(arrival_watch(&arrival, path));
    assert_int_equal(mkdir(folder, 0700), 0);
    run_until(1);
    assert_true(arrival_watch(&arrival, path));
    make(path);
    run_until(2);
    end();
}

static void test_a_folder_that_goes(void **state)
{
    (void)state;
    begin("pad");
    assert_int_equal(mkdir(folder, 0700), 0);
    assert_true(arrival_watch(&arrival, path));
    assert_int_equal(rmdir(folder), 0);
    run_until(1);
    assert_true(arrival_watch(&arrival, path)); /* the one above it now */
    assert_int_equal(mkdir(folder, 0700), 0);
    run_until(2);
    end();
}

static void test_anything_in_a_folder(void **state)
{
    char slash[128];
    (void)state;
    begin("ttyUSB0");
    assert_int_equal(mkdir(folder, 0700), 0);
    snprintf(slash, sizeof slash, "%s/", folder);
    assert_true(arrival_watch(&arrival, slash));
    make(path);
    run_until(1);
    make(path); /* written to: nothing new */
    bench_turn();
    assert_int_equal(calls, 1);
    end();
}

static void test_at_rest_it_says_nothing(void **state)
{
    (void)state;
    begin("pad");
    assert_int_equal(mkdir(folder, 0700), 0);
    assert_true(arrival_watch(&arrival, path));
    arrival_rest(&arrival);
    make(path);
    bench_turn();
    bench_turn();
    assert_int_equal(calls, 0);
    end();
}

static void test_odd_paths(void **state)
{
    (void)state;
    begin("pad");
    assert_false(arrival_watch(&arrival, ""));
    assert_int_equal(mkdir(folder, 0700), 0);
    make(path);
    char below[200];
    snprintf(below, sizeof below, "%s/deeper", path); /* a file stands where a folder should be */
    assert_true(arrival_watch(&arrival, below));
    end();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_file_that_is_made, bench_set_up, bench_tear_down),
        cmocka_unit_test_setup_teardown(test_a_link_that_is_moved_there, bench_set_up, bench_tear_down),
        cmocka_unit_test_setup_teardown(test_a_folder_that_is_missing_too, bench_set_up, bench_tear_down),
        cmocka_unit_test_setup_teardown(test_a_folder_that_goes, bench_set_up, bench_tear_down),
        cmocka_unit_test_setup_teardown(test_anything_in_a_folder, bench_set_up, bench_tear_down),
        cmocka_unit_test_setup_teardown(test_at_rest_it_says_nothing, bench_set_up, bench_tear_down),
        cmocka_unit_test_setup_teardown(test_odd_paths, bench_set_up, bench_tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
