/* Feeds on loopback: datagrams, groups, connections that break, files that grow, are cut, renamed and removed. */
#include "io/feed.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <sys/socket.h>
#include <sys/stat.h>

#include "io_bench.h"

static struct feed *feed;
static char path[128];

static int set_up(void **state)
{
    int result = bench_set_up(state);
    bench.keep = INPUT_FEED;
    snprintf(path, sizeof path, "%s/log", bench.folder);
    feed = NULL;
    return result;
}

static int tear_down(void **state)
{
    feed_close(feed);
    feed = NULL;
    (void)unlink(path);
    return bench_tear_down(state);
}

static void begin(const struct config_feed *config)
{
    feed = feed_new(&bench.loop, "test", config, 3, &bench_deliver);
    assert_non_null(feed);
}

static void assert_bytes(const char *expected)
{
    assert_int_equal(bench.len, strlen(expected));
    assert_memory_equal(bench.bytes, expected, bench.len);
}

static struct sockaddr_in address_of(const char *host, uint16_t port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons(port)};
    assert_int_equal(inet_pton(AF_INET, host, &address.sin_addr), 1);
    return address;
}

static int socket_on_loopback(int type, uint16_t *port)
{
    int one = 1;
    int fd = socket(AF_INET, type | SOCK_CLOEXEC, 0);
    struct sockaddr_in address = address_of("127.0.0.1", *port);
    socklen_t len = sizeof address;
    assert_true(fd >= 0);
    assert_int_equal(setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one), 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&address, &len), 0);
    *port = ntohs(address.sin_port);
    return fd;
}

static uint16_t free_udp_port(void)
{
    uint16_t port = 0;
    close(socket_on_loopback(SOCK_DGRAM, &port));
    return port;
}

static void send_to(int fd, const char *host, uint16_t port, const char *text)
{
    struct sockaddr_in address = address_of(host, port);
    ssize_t sent = sendto(fd, text, strlen(text), 0, (struct sockaddr *)&address, sizeof address);
    assert_int_equal(sent, (ssize_t)strlen(text));
}

/* ---- UDP ---- */

static void test_datagrams(void **state)
{
    (void)state;
    uint16_t own = 0;
    struct config_feed config = {.input = CONFIG_INPUT_UDP, .host = "127.0.0.1", .port = free_udp_port()};
    int sender = socket_on_loopback(SOCK_DGRAM, &own);
    begin(&config);
    bench_run_until_seen(1);
    assert_int_equal(bench.seen[0].kind, INPUT_FEED_UP);
    assert_int_equal(bench.seen[0].source, 3);
    send_to(sender, "127.0.0.1", config.port, "$one");
    send_to(sender, "127.0.0.1", config.port, "");
    send_to(sender, "127.0.0.1", config.port, "$two\r\n$three\r\n");
    bench_run_until_seen(3);
    /* one input a datagram, as it came */
    assert_string_equal(bench.seen[1].text, "$one");
    assert_string_equal(bench.seen[2].text, "$two\r\n$three\r\n");
    assert_true(bench.seen[1].now.ns <= bench.seen[2].now.ns);
    close(sender);
}

static void test_the_longest_datagram(void **state)
{
    (void)state;
    static char text[60001];
    uint16_t own = 0;
    struct config_feed config = {.input = CONFIG_INPUT_UDP, .host = "127.0.0.1", .port = free_udp_port()};
    int sender = socket_on_loopback(SOCK_DGRAM, &own);
    memset(text, 'x', sizeof text - 1);
    begin(&config);
    bench_run_until_seen(1);
    send_to(sender, "127.0.0.1", config.port, text);
    bench_run_until_seen(2);
    assert_bytes(text);
    close(sender);
}

/* Taken by another program: waited for, then bound. */
static void test_a_port_that_is_taken(void **state)
{
    (void)state;
    struct config_feed config = {.input = CONFIG_INPUT_UDP, .host = "127.0.0.1"};
    int other = socket(AF_INET, SOCK_DGRAM, 0);
    struct sockaddr_in address = address_of("127.0.0.1", 0);
    socklen_t len = sizeof address;
    assert_int_equal(bind(other, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(getsockname(other, (struct sockaddr *)&address, &len), 0);
    config.port = ntohs(address.sin_port);
    begin(&config);
    bench_turn();
    bench_turn();
    assert_int_equal(bench.count, 0);
    close(other);
    bench_run_until_seen(1);
    assert_int_equal(bench.seen[0].kind, INPUT_FEED_UP);
}

static void test_a_group(void **state)
{
    (void)state;
    uint16_t own = 0;
    struct in_addr loopback = {htonl(INADDR_LOOPBACK)};
    struct config_feed config = {
        .input = CONFIG_INPUT_UDP, .host = "239.192.7.7", .interface = "127.0.0.1", .port = free_udp_port()};
    int sender = socket_on_loopback(SOCK_DGRAM, &own);
    assert_int_equal(setsockopt(sender, IPPROTO_IP, IP_MULTICAST_IF, &loopback, sizeof loopback), 0);
    begin(&config);
    struct feed *first = feed;
    begin(&config); /* two listeners to one group on one machine both hear it */
    bench_run_until_seen(2);
    send_to(sender, "239.192.7.7", config.port, "all");
    bench_run_until_seen(4);
    assert_bytes("allall");
    feed_close(first);
    close(sender);
}

static void test_broadcasts_are_heard_on_the_open_address(void **state)
{
    (void)state;
    int one = 1;
    uint16_t own = 0;
    struct config_feed config = {.input = CONFIG_INPUT_UDP, .host = "0.0.0.0", .port = free_udp_port()};
    int sender = socket_on_loopback(SOCK_DGRAM, &own);
    assert_int_equal(setsockopt(sender, SOL_SOCKET, SO_BROADCAST, &one, sizeof one), 0);
    begin(&config);
    bench_run_until_seen(1);
    send_to(sender, "127.255.255.255", config.port, "to all");
    bench_run_until_seen(2);
    assert_bytes("to all");
    close(sender);
}

/* ---- TCP ---- */

static int accept_one(int listener)
{
    assert_int_equal(fcntl(listener, F_SETFL, O_NONBLOCK), 0);
    for (;;) {
        int fd = accept4(listener, NULL, NULL, SOCK_CLOEXEC);
        if (fd >= 0)
            return fd;
        assert_int_equal(errno, EAGAIN);
        bench_turn();
    }
}

static void test_a_connection_that_breaks(void **state)
{
    (void)state;
    uint16_t port = 0;
    int listener = socket_on_loopback(SOCK_STREAM, &port);
    assert_int_equal(listen(listener, 4), 0);
    struct config_feed config = {.input = CONFIG_INPUT_TCP, .host = "localhost", .port = port};
    begin(&config);
    for (int i = 0; i < 3; i++) {
        int from = bench.count;
        bench.len = 0;
        int peer = accept_one(listener);
        int up = bench_run_until_kind(from, INPUT_FEED_UP);
        assert_int_equal(write(peer, "some", 4), 4);
        bench_run_until_bytes(4);
        assert_int_equal(write(peer, "more", 4), 4);
        bench_run_until_bytes(8);
        assert_bytes("somemore");
        close(peer);
        int down = bench_run_until_kind(up, INPUT_FEED_DOWN);
        assert_non_null(strstr(bench.seen[down].text, "why=the other end closed the connection"));
    }
    close(listener);
}

static void test_a_peer_that_is_not_there_yet(void **state)
{
    (void)state;
    uint16_t port = 0;
    int listener = socket_on_loopback(SOCK_STREAM, &port); /* bound, does not listen: refuses */
    struct config_feed config = {.input = CONFIG_INPUT_TCP, .host = "127.0.0.1", .port = port};
    begin(&config);
    for (int i = 0; i < 20; i++)
        bench_turn();
    assert_int_equal(bench.count, 0);
    assert_int_equal(listen(listener, 4), 0);
    close(accept_one(listener));
    (void)bench_run_until_kind(0, INPUT_FEED_UP);
    close(listener);
}

static void test_a_host_that_has_no_address(void **state)
{
    (void)state;
    struct config_feed config = {.input = CONFIG_INPUT_TCP, .host = "nowhere.invalid", .port = 1};
    begin(&config);
    for (int i = 0; i < 20; i++)
        bench_turn();
    assert_int_equal(bench.count, 0); /* closing with a look-up under way is what the teardown proves */
}

/* ---- files ---- */

static void append(const char *text)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    close(fd);
}

static void begin_file(void)
{
    struct config_feed config = {.input = CONFIG_INPUT_FILE};
    snprintf(config.path, sizeof config.path, "%s", path);
    begin(&config);
}

static void test_a_file_is_read_and_followed(void **state)
{
    (void)state;
    append("first\n");
    begin_file();
    bench_run_until_bytes(6);
    append("second\n");
    bench_run_until_bytes(13);
    append("third\n");
    bench_run_until_bytes(19);
    assert_bytes("first\nsecond\nthird\n");
    assert_int_equal(bench.seen[0].kind, INPUT_FEED_UP);
}

static void test_a_long_file_comes_in_pieces(void **state)
{
    (void)state;
    static char text[100001];
    for (size_t i = 0; i < sizeof text - 1; i++)
        text[i] = (char)('a' + i % 23);
    append(text);
    begin_file();
    bench_run_until_bytes(sizeof text - 1);
    assert_bytes(text);
    assert_true(bench.count > 3);
}

static void test_a_file_cut_short_is_read_anew(void **state)
{
    (void)state;
    append("a long first part\n");
    begin_file();
    bench_run_until_bytes(18);
    bench.len = 0;
    assert_int_equal(truncate(path, 0), 0);
    append("new\n");
    bench_run_until_bytes(4);
    assert_bytes("new\n");
}

static void test_a_file_that_another_takes_the_place_of(void **state)
{
    (void)state;
    char old[160];
    snprintf(old, sizeof old, "%s.1", path);
    append("old\n");
    begin_file();
    bench_run_until_bytes(4);
    bench.len = 0;
    assert_int_equal(rename(path, old), 0);
    append("new\n");
    bench_run_until_bytes(4);
    assert_bytes("new\n");
    (void)unlink(old);
}

static void test_a_file_that_is_removed(void **state)
{
    (void)state;
    append("old\n");
    begin_file();
    bench_run_until_bytes(4);
    (void)unlink(path);
    int down = bench_run_until_kind(0, INPUT_FEED_DOWN);
    append("new\n");
    bench_run_until_bytes(8);
    (void)bench_run_until_kind(down, INPUT_FEED_UP);
    assert_bytes("old\nnew\n");
}

static void test_a_fifo_outlives_its_writers(void **state)
{
    (void)state;
    assert_int_equal(mkfifo(path, 0600), 0);
    begin_file();
    (void)bench_run_until_kind(0, INPUT_FEED_UP); /* without a writer: nothing hangs */
    for (int i = 0; i < 3; i++) {
        bench.len = 0;
        int writer = -1;
        while ((writer = open(path, O_WRONLY | O_NONBLOCK)) < 0) {
            assert_int_equal(errno, ENXIO); /* between two openings */
            bench_turn();
        }
        int from = bench.count;
        assert_int_equal(write(writer, "line\n", 5), 5);
        bench_run_until_bytes(5);
        assert_bytes("line\n");
        close(writer);
        (void)bench_run_until_kind(from, INPUT_FEED_DOWN);
    }
}

static void test_a_file_that_comes_later(void **state)
{
    (void)state;
    begin_file();
    bench_turn();
    assert_int_equal(bench.count, 0);
    append("here\n");
    bench_run_until_bytes(5);
    assert_bytes("here\n");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_datagrams, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_the_longest_datagram, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_port_that_is_taken, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_group, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_broadcasts_are_heard_on_the_open_address, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_connection_that_breaks, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_peer_that_is_not_there_yet, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_host_that_has_no_address, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_file_is_read_and_followed, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_long_file_comes_in_pieces, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_file_cut_short_is_read_anew, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_file_that_another_takes_the_place_of, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_file_that_is_removed, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_fifo_outlives_its_writers, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_file_that_comes_later, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
