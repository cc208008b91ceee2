/*
 * The socket over real unix and TCP sockets: server and peers in one loop and one thread, the journal behind a fake backend
 * whose reads can be held back, so that every order of catch-up and live events can be made to happen. Nothing waits for time.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "core/fields.h"
#include "io/jsonrpc.h"
#include "io/log.h"
#include "io/socket.h"
#include "io/tokens.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <jansson.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define JOURNAL_MAX 40000

struct peer {
    int fd;
    bool ended;
    char *text;
    size_t len, size;
    size_t taken; /* lines before this were handed out */
};

struct rig {
    char folder[64], path[100];
    uv_loop_t loop;
    struct socket_server *server;
    bool stopped;
    /* the journal */
    uv_mutex_t lock;
    char *json[JOURNAL_MAX + 1];
    enum entry_type type[JOURNAL_MAX + 1];
    int64_t last;
    bool gated; /* each journal read waits for the gate */
    uv_sem_t gate;
    bool journal_fails;
    int64_t rows; /* handed out of it so far */
    /* commands the engine got */
    int64_t token[8192];
    char op[8192][32];
    size_t commands;
    bool hold_replies;
    bool ending;
    char known_dive[DIVE_ID_SIZE];
    uv_sem_t query_gate;
    bool query_gated;
    /* what the log said */
    char logged[16384];
};

/* -- the fake backend -- */

static void reply_to(struct rig *rig, size_t i)
{
    struct engine_reply reply = {.token = rig->token[i], .seq = 100 + (int64_t)i};
    snprintf(reply.ref, sizeof reply.ref, "D007-M%04zu", i);
    if (strcmp(rig->op[i], "strike") == 0) {
        reply.refusal = REFUSED_STATE;
        snprintf(reply.text, sizeof reply.text, "it is struck already");
    }
    socket_reply(rig->server, &reply);
}

static bool on_command(void *ctx, const char *record, size_t len)
{
    struct rig *rig = ctx;
    struct fields fields;
    assert_true(fields_parse(&fields, record, len));
    if (rig->ending)
        return false;
    size_t i = rig->commands++;
    assert_true(i < 8192);
    assert_true(fields_int(&fields, "token", &rig->token[i]));
    assert_true(fields_text(&fields, "op", rig->op[i], sizeof rig->op[i]));
    if (!rig->hold_replies)
        reply_to(rig, i);
    return true;
}

static void on_status(void *ctx, socket_line_fn *line, void *line_ctx)
{
    (void)ctx;
    struct engine_status_line sick = {.what = "feed ctd", .sick = true, .text = "silent for \"40 s\""};
    struct engine_status_line well = {.what = "utc", .text = "synced"};
    line(line_ctx, &sick);
    line(line_ctx, &well);
}

static const char *on_dive(void *ctx)
{
    (void)ctx;
    return "D007";
}

static bool on_journal(void *ctx, int64_t after, int64_t upto, socket_row_fn *row, void *row_ctx,
                       char why[SOCKET_WHY_SIZE])
{
    struct rig *rig = ctx;
    if (rig->gated)
        uv_sem_wait(&rig->gate);
    if (rig->journal_fails) {
        snprintf(why, SOCKET_WHY_SIZE, "the disk is gone");
        return false;
    }
    uv_mutex_lock(&rig->lock);
    for (int64_t seq = after + 1; seq <= upto; seq++) {
        rig->rows++;
        if (!row(row_ctx, seq, rig->type[seq], rig->json[seq], strlen(rig->json[seq])))
            break;
    }
    uv_mutex_unlock(&rig->lock);
    return true;
}

static char *on_query(void *ctx, const struct socket_query *query, char why[SOCKET_WHY_SIZE])
{
    struct rig *rig = ctx;
    if (rig->query_gated)
        uv_sem_wait(&rig->query_gate);
    if (query->kind == SOCKET_QUERY_DIVE_KNOWN)
        return strdup(strcmp(query->dive, rig->known_dive) == 0 ? "true" : "false");
    if (query->kind == SOCKET_QUERY_SAMPLES) {
        snprintf(why, SOCKET_WHY_SIZE, "the database cannot be read");
        return NULL;
    }
    char text[128];
    snprintf(text, sizeof text, "{\"rows\":[%d,%" PRId64 "]}", (int)query->kind, query->after);
    return strdup(text);
}

static void on_log(void *ctx, enum log_level level, const char *text)
{
    struct rig *rig = ctx;
    (void)level;
    size_t len = strlen(rig->logged);
    snprintf(rig->logged + len, sizeof rig->logged - len, "%s\n", text);
}

static const struct socket_backend BACKEND = {
    .command = on_command, .status = on_status, .dive = on_dive, .journal = on_journal, .query = on_query};

/* -- the rig -- */

static struct socket_config config_of(const struct rig *rig)
{
    return (struct socket_config){.unix_path = rig->path};
}

static struct rig *rig_new(void)
{
    struct rig *rig = calloc(1, sizeof *rig);
    strcpy(rig->folder, "/tmp/bellrope-io-XXXXXX");
    assert_non_null(mkdtemp(rig->folder));
    snprintf(rig->path, sizeof rig->path, "%s/sock", rig->folder);
    uv_loop_init(&rig->loop);
    uv_mutex_init(&rig->lock);
    uv_sem_init(&rig->gate, 0);
    uv_sem_init(&rig->query_gate, 0);
    log_divert(on_log, rig);
    return rig;
}

static void rig_start(struct rig *rig, const struct socket_config *config)
{
    char why[SOCKET_WHY_SIZE] = "";
    struct socket_backend backend = BACKEND;
    backend.ctx = rig;
    if (socket_start(&rig->server, &rig->loop, config, &backend, rig->last, why) != 0)
        fail_msg("%s", why);
}

static void on_stopped(void *ctx)
{
    struct rig *rig = ctx;
    rig->stopped = true;
}

static void rig_end(struct rig *rig)
{
    if (rig->server != NULL) {
        socket_stop(rig->server, on_stopped, rig);
        uv_run(&rig->loop, UV_RUN_DEFAULT);
        assert_true(rig->stopped);
    }
    uv_run(&rig->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&rig->loop), 0);
    assert_int_equal(access(rig->path, F_OK), -1);
    for (int64_t i = 0; i <= rig->last; i++)
        free(rig->json[i]);
    uv_mutex_destroy(&rig->lock);
    uv_sem_destroy(&rig->gate);
    uv_sem_destroy(&rig->query_gate);
    log_divert(NULL, NULL);
    rmdir(rig->folder);
    free(rig);
}

/* An event's JSON of about `bytes` bytes. */
static void store(struct rig *rig, enum entry_type type, size_t bytes)
{
    char *json = malloc(bytes + 128);
    int64_t seq = rig->last + 1;
    int len = sprintf(json, "{\"seq\":%" PRId64 ",\"type\":\"%s\",\"pad\":\"", seq, entry_type_name(type));
    memset(json + len, 'p', bytes);
    strcpy(json + (size_t)len + bytes, "\"}");
    uv_mutex_lock(&rig->lock);
    rig->json[seq] = json;
    rig->type[seq] = type;
    rig->last = seq;
    uv_mutex_unlock(&rig->lock);
}

/* Committed, then published, as the app does it. */
static void happen(struct rig *rig, enum entry_type type, size_t bytes)
{
    store(rig, type, bytes);
    socket_stage(rig->server, rig->last, type, rig->json[rig->last], strlen(rig->json[rig->last]));
    socket_publish(rig->server, rig->last);
}

static void turn(struct rig *rig)
{
    uv_run(&rig->loop, UV_RUN_NOWAIT);
}

/* -- peers -- */

static struct peer peer_on(int fd)
{
    struct peer peer = {.fd = fd};
    fcntl(fd, F_SETFL, O_NONBLOCK);
    return peer;
}

static struct peer connect_unix(const struct rig *rig)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s", rig->path);
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    return peer_on(fd);
}

static struct peer connect_tcp(const struct rig *rig)
{
    struct sockaddr_in address = {.sin_family = AF_INET,
                                  .sin_port = htons(socket_tcp_port(rig->server)),
                                  .sin_addr = {htonl(INADDR_LOOPBACK)}};
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    return peer_on(fd);
}

static void peer_close(struct peer *peer)
{
    close(peer->fd);
    free(peer->text);
    *peer = (struct peer){.fd = -1};
}

static void give(struct rig *rig, struct peer *peer, const char *text, size_t len)
{
    while (len > 0) {
        ssize_t sent = send(peer->fd, text, len, MSG_NOSIGNAL);
        if (sent < 0)
            assert_true(errno == EAGAIN);
        else
            text += sent, len -= (size_t)sent;
        turn(rig);
    }
}

static void give_text(struct rig *rig, struct peer *peer, const char *text)
{
    give(rig, peer, text, strlen(text));
}

static void say(struct rig *rig, struct peer *peer, const char *line)
{
    give_text(rig, peer, line);
    give(rig, peer, "\n", 1);
}

/* Takes at most `most` bytes that have arrived. */
static size_t take(struct peer *peer, size_t most)
{
    if (peer->size - peer->len < most + 1) {
        peer->size = (peer->size + most + 1) * 2;
        peer->text = realloc(peer->text, peer->size);
    }
    ssize_t got = recv(peer->fd, peer->text + peer->len, most, 0);
    if (got == 0 || (got < 0 && errno != EAGAIN))
        peer->ended = true;
    if (got <= 0)
        return 0;
    peer->len += (size_t)got;
    peer->text[peer->len] = '\0';
    return (size_t)got;
}

/* The next whole line that has arrived; NULL: none. */
static char *next_line(struct peer *peer)
{
    char *start = peer->text + peer->taken;
    char *end = peer->text == NULL ? NULL : memchr(start, '\n', peer->len - peer->taken);
    if (end == NULL)
        return NULL;
    *end = '\0';
    peer->taken = (size_t)(end - peer->text) + 1;
    return start;
}

/* Turns the loop until the peer has a line. */
static json_t *hear(struct rig *rig, struct peer *peer)
{
    json_error_t error;
    char *line;
    while ((line = next_line(peer)) == NULL) {
        if (peer->ended)
            fail_msg("the connection has ended");
        turn(rig);
        take(peer, 4096);
    }
    json_t *root = json_loads(line, 0, &error);
    if (root == NULL)
        fail_msg("no JSON: %s: %.200s", error.text, line);
    assert_true(json_is_array(root) ||
                strcmp(json_string_value(json_object_get(root, "jsonrpc")), "2.0") == 0);
    return root;
}

static void hear_end(struct rig *rig, struct peer *peer)
{
    while (!peer->ended) {
        turn(rig);
        take(peer, 4096);
    }
    assert_int_equal(peer->taken, peer->len);
}

static int64_t code_of(const json_t *root)
{
    return json_integer_value(json_object_get(json_object_get(root, "error"), "code"));
}

static void hear_code(struct rig *rig, struct peer *peer, int64_t code)
{
    json_t *root = hear(rig, peer);
    assert_int_equal(code_of(root), code);
    assert_null(json_object_get(root, "result"));
    json_decref(root);
}

/* The member of a result with the given id. */
static json_int_t hear_result(struct rig *rig, struct peer *peer, json_int_t id, const char *member)
{
    json_t *root = hear(rig, peer);
    assert_int_equal(json_integer_value(json_object_get(root, "id")), id);
    const json_t *result = json_object_get(root, "result");
    if (result == NULL)
        fail_msg("an error: %s",
                 json_string_value(json_object_get(json_object_get(root, "error"), "message")));
    json_int_t value = json_integer_value(json_object_get(result, member));
    json_decref(root);
    return value;
}

static int64_t seq_of(const json_t *root)
{
    const char *method = json_string_value(json_object_get(root, "method"));
    assert_non_null(method);
    assert_string_equal(method, "event");
    return json_integer_value(json_object_get(json_object_get(root, "params"), "seq"));
}

static void hear_events(struct rig *rig, struct peer *peer, int64_t from, int64_t to)
{
    for (int64_t seq = from; seq <= to; seq++) {
        json_t *root = hear(rig, peer);
        assert_int_equal(seq_of(root), seq);
        json_decref(root);
    }
}

static void hear_nothing(struct rig *rig, struct peer *peer)
{
    for (int i = 0; i < 20; i++)
        turn(rig);
    take(peer, 4096);
    assert_int_equal(peer->taken, peer->len);
    assert_false(peer->ended);
}

/* -- requests -- */

static void requests_are_answered(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}");
    json_t *root = hear(rig, &peer);
    const json_t *result = json_object_get(root, "result");
    assert_string_equal(json_string_value(json_object_get(result, "dive")), "D007");
    const json_t *lines = json_object_get(result, "lines");
    assert_int_equal(json_array_size(lines), 2);
    assert_true(json_is_true(json_object_get(json_array_get(lines, 0), "sick")));
    assert_string_equal(json_string_value(json_object_get(json_array_get(lines, 0), "text")),
                        "silent for \"40 s\"");
    json_decref(root);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"press\",\"params\":{\"key\":\"A1\"}}");
    assert_int_equal(hear_result(rig, &peer, 2, "seq"), 100);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"strike\",\"params\":{\"ref\":\"M1\"}}");
    hear_code(rig, &peer, REFUSED_STATE);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":4,\"method\":\"markers\",\"params\":{\"after\":9}}");
    root = hear(rig, &peer);
    const json_t *rows = json_object_get(json_object_get(root, "result"), "rows");
    assert_int_equal(json_integer_value(json_array_get(rows, 1)), 9);
    json_decref(root);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":5,\"method\":\"samples\"}");
    hear_code(rig, &peer, JSONRPC_DATABASE);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":6,\"method\":\"hello\",\"params\":{\"token\":\"x\"}}");
    hear_result(rig, &peer, 6, "role");
    char expected[64];
    snprintf(expected, sizeof expected, "pid %ld uid %lu", (long)getpid(), (unsigned long)getuid());
    assert_non_null(strstr(rig->logged, expected));
    peer_close(&peer);
    rig_end(rig);
}

static void bad_input_gets_its_code_and_the_connection_goes_on(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.message_bytes = 1000;
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "\x01\xfe garbage \x80");
    hear_code(rig, &peer, JSONRPC_PARSE);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1}");
    hear_code(rig, &peer, JSONRPC_INVALID);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"dance\"}");
    hear_code(rig, &peer, JSONRPC_NO_METHOD);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"press\"}");
    hear_code(rig, &peer, JSONRPC_PARAMS);
    say(rig, &peer, "[]");
    hear_code(rig, &peer, JSONRPC_INVALID);
    /* a line too long, in pieces and in one: one error each, and its tail is no request */
    char longest[70000];
    memset(longest, '7', sizeof longest);
    for (size_t piece = 600; piece <= sizeof longest; piece += sizeof longest - 600) {
        for (size_t sent = 0; sent < sizeof longest; sent += piece)
            give(rig, &peer, longest, piece < sizeof longest - sent ? piece : sizeof longest - sent);
        say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":8,\"method\":\"status\"}");
        hear_code(rig, &peer, JSONRPC_INVALID);
        say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":9,\"method\":\"status\"}");
        hear_result(rig, &peer, 9, "seq");
    }
    /* exactly at the limit is fine */
    memset(longest, ' ', 1000);
    static const char STATUS[] = "{\"jsonrpc\":\"2.0\",\"id\":10,\"method\":\"status\"}";
    memcpy(longest, STATUS, strlen(STATUS));
    longest[1000] = '\0';
    say(rig, &peer, longest);
    hear_result(rig, &peer, 10, "seq");
    /* blank lines and CR LF are fine */
    give_text(rig, &peer, "\r\n\n{\"jsonrpc\":\"2.0\",\"id\":11,\"method\":\"status\"}\r\n");
    hear_result(rig, &peer, 11, "seq");
    struct socket_counts counts;
    socket_counts(rig->server, &counts);
    assert_int_equal(counts.bad_messages, 5);
    assert_int_equal(counts.connections, 1);
    peer_close(&peer);
    rig_end(rig);
}

static void lines_may_come_byte_by_byte(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    const char *text = "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}\n{\"jsonrpc\":\"2.0\",\"id\":2,"
                       "\"method\":\"status\"}\n";
    for (const char *at = text; *at != '\0'; at++)
        give(rig, &peer, at, 1);
    hear_result(rig, &peer, 1, "seq");
    hear_result(rig, &peer, 2, "seq");
    peer_close(&peer);
    rig_end(rig);
}

static void batches_and_notifications(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    rig->hold_replies = true;
    /* the batch of the specification's section 7, with our methods: two calls, a notification, junk, an unknown method */
    say(rig, &peer,
        "[{\"jsonrpc\":\"2.0\",\"method\":\"press\",\"params\":{\"key\":\"A1\"},\"id\":\"1\"},"
        "{\"jsonrpc\":\"2.0\",\"method\":\"press\",\"params\":{\"key\":\"B1\"}},"
        "{\"jsonrpc\":\"2.0\",\"method\":\"markers\",\"id\":\"2\"},{\"foo\":\"boo\"},"
        "{\"jsonrpc\":\"2.0\",\"method\":\"foo.get\",\"params\":{\"name\":\"myself\"},\"id\":\"5\"}]");
    hear_nothing(rig, &peer); /* one answer for all, when the last of them is there */
    assert_int_equal(rig->commands, 2);
    reply_to(rig, 1); /* the notification's: nobody hears it */
    hear_nothing(rig, &peer);
    reply_to(rig, 0);
    json_t *root = hear(rig, &peer);
    assert_true(json_is_array(root));
    assert_int_equal(json_array_size(root), 4);
    int found = 0;
    for (size_t i = 0; i < 4; i++) {
        const json_t *one = json_array_get(root, i);
        const char *id = json_string_value(json_object_get(one, "id"));
        if (id == NULL)
            found += code_of(one) == JSONRPC_INVALID ? 1 : 0;
        else if (strcmp(id, "5") == 0)
            found += code_of(one) == JSONRPC_NO_METHOD ? 10 : 0;
        else
            found += json_object_get(one, "result") != NULL ? 100 : 0;
    }
    assert_int_equal(found, 211);
    json_decref(root);
    /* only notifications, good and bad: no answer at all */
    rig->hold_replies = false;
    say(rig, &peer,
        "[{\"jsonrpc\":\"2.0\",\"method\":\"press\",\"params\":{\"key\":\"A1\"}},"
        "{\"jsonrpc\":\"2.0\",\"method\":\"nothing\"},{\"jsonrpc\":\"2.0\",\"method\":\"press\"}]");
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"method\":\"strike\",\"params\":{\"ref\":\"M1\"}}");
    hear_nothing(rig, &peer);
    assert_int_equal(rig->commands, 4);
    /* [1,2,3]: three errors in an array */
    say(rig, &peer, "[1,2,3]");
    root = hear(rig, &peer);
    assert_int_equal(json_array_size(root), 3);
    json_decref(root);
    peer_close(&peer);
    rig_end(rig);
}

static void pipelined_commands_are_all_answered(void **state)
{
    (void)state;
    enum { COMMANDS = 5000 };
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    rig->hold_replies = true;
    size_t replied = 0, heard = 0;
    bool seen[COMMANDS] = {false};
    char line[128];
    for (int i = 0; i < COMMANDS; i++) {
        snprintf(line, sizeof line,
                 "{\"jsonrpc\":\"2.0\",\"id\":%d,\"method\":\"press\",\"params\":{\"key\":\"A1\"}}\n", i);
        size_t len = strlen(line), at = 0;
        while (at < len) {
            ssize_t sent = send(peer.fd, line + at, len - at, MSG_NOSIGNAL);
            at += sent > 0 ? (size_t)sent : 0;
            turn(rig);
            /* a commit comes now and then and answers what has gathered; no more than 1024 may gather */
            assert_true(rig->commands - replied <= 1024);
            if (sent < 0 || i % 700 == 699)
                while (replied < rig->commands)
                    reply_to(rig, replied++);
        }
    }
    while (heard < COMMANDS) {
        while (replied < rig->commands)
            reply_to(rig, replied++);
        json_t *root = hear(rig, &peer);
        json_int_t id = json_integer_value(json_object_get(root, "id"));
        assert_non_null(json_object_get(root, "result"));
        assert_false(seen[id]);
        seen[id] = true;
        heard++;
        json_decref(root);
    }
    assert_int_equal(rig->commands, COMMANDS);
    peer_close(&peer);
    rig_end(rig);
}

static void a_known_dive_is_refused_before_the_engine(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    strcpy(rig->known_dive, "D007");
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"dive.begin\",\"params\":{\"id\":\"D007\"}}");
    hear_code(rig, &peer, REFUSED_STATE);
    assert_int_equal(rig->commands, 0);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"dive.begin\",\"params\":{\"id\":\"D008\"}}");
    assert_int_equal(hear_result(rig, &peer, 2, "seq"), 100);
    assert_string_equal(rig->op[0], "dive.begin");
    rig->ending = true;
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"dive.end\"}");
    hear_code(rig, &peer, JSONRPC_BUSY);
    peer_close(&peer);
    rig_end(rig);
}

static void half_close_is_answered_then_closed(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    rig->hold_replies = true;
    /* the last line without a newline: its end is the end of what the peer says */
    give_text(rig, &peer,
              "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"press\",\"params\":{\"key\":\"A1\"}}\n");
    give_text(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"status\"}");
    shutdown(peer.fd, SHUT_WR);
    hear_result(rig, &peer, 2, "seq");
    hear_nothing(rig, &peer);
    reply_to(rig, 0);
    hear_result(rig, &peer, 1, "seq");
    hear_end(rig, &peer);
    peer_close(&peer);
    /* a subscriber that has nothing more to say goes on listening */
    peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}");
    shutdown(peer.fd, SHUT_WR);
    hear_result(rig, &peer, 1, "since");
    happen(rig, ENTRY_MARKER, 10);
    hear_events(rig, &peer, 1, 1);
    peer_close(&peer);
    struct socket_counts counts;
    do { /* found to be gone by the next event at the latest */
        happen(rig, ENTRY_MARKER, 10);
        turn(rig);
        socket_counts(rig->server, &counts);
    } while (counts.connections > 0);
    rig_end(rig);
}

static void a_peer_may_leave_with_calls_under_way(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    rig->hold_replies = true;
    rig->query_gated = true;
    struct peer peer = connect_unix(rig);
    say(rig, &peer,
        "[{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"press\",\"params\":{\"key\":\"A1\"}},"
        "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"markers\"}]");
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"dive.begin\",\"params\":{\"id\":\"D1\"}}");
    while (rig->commands == 0)
        turn(rig);
    peer_close(&peer);
    struct socket_counts counts;
    do {
        turn(rig);
        socket_counts(rig->server, &counts);
    } while (counts.connections > 0);
    reply_to(rig, 0);
    uv_sem_post(&rig->query_gate);
    uv_sem_post(&rig->query_gate);
    while (rig->commands < 2)
        turn(rig);
    reply_to(rig, 1);
    reply_to(rig, 1); /* a second reply to the same token finds nobody */
    rig_end(rig);
}

static void stopping_with_work_under_way(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    for (int i = 0; i < 100; i++)
        store(rig, ENTRY_MARKER, 10);
    rig_start(rig, &config);
    rig->gated = rig->query_gated = rig->hold_replies = true;
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"markers\"}");
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"dive.begin\",\"params\":{\"id\":\"D1\"}}");
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":4,\"method\":\"press\",\"params\":{\"key\":\"A1\"}}");
    while (rig->commands == 0)
        turn(rig);
    socket_stage(rig->server, 101, ENTRY_MARKER, "{}", 2);
    uv_sem_post(&rig->gate);
    uv_sem_post(&rig->query_gate);
    rig_end(rig);
    peer_close(&peer);
}

/* -- subscriptions -- */

static void subscribers_hear_what_happens(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    for (int i = 0; i < 5; i++)
        store(rig, ENTRY_MARKER, 10);
    rig_start(rig, &config);
    struct peer from_now = connect_unix(rig), from_3 = connect_unix(rig), strikes = connect_unix(rig);
    say(rig, &from_now, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}");
    assert_int_equal(hear_result(rig, &from_now, 1, "since"), 5);
    say(rig, &from_3, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":3}}");
    assert_int_equal(hear_result(rig, &from_3, 1, "seq"), 5);
    hear_events(rig, &from_3, 4, 5);
    say(rig, &strikes,
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0,\"types\":["
        "\"strike\"]}}");
    hear_result(rig, &strikes, 1, "seq");
    say(rig, &from_3, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"subscribe\",\"params\":{\"since\":6}}");
    hear_code(rig, &from_3, JSONRPC_PARAMS); /* ahead of the journal; the old subscription stays */
    happen(rig, ENTRY_MARKER, 10);
    happen(rig, ENTRY_STRIKE, 10);
    hear_events(rig, &from_now, 6, 7);
    hear_events(rig, &from_3, 6, 7);
    hear_events(rig, &strikes, 7, 7);
    /* staged is not published */
    store(rig, ENTRY_MARKER, 10);
    socket_stage(rig->server, 8, ENTRY_MARKER, rig->json[8], strlen(rig->json[8]));
    hear_nothing(rig, &from_now);
    struct peer late = connect_unix(rig);
    say(rig, &late, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":6}}");
    assert_int_equal(hear_result(rig, &late, 1, "seq"), 7);
    hear_events(rig, &late, 7, 7);
    hear_nothing(rig, &late);
    socket_publish(rig->server, 8);
    hear_events(rig, &from_now, 8, 8);
    hear_events(rig, &late, 8, 8);
    say(rig, &from_now, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"unsubscribe\"}");
    assert_int_equal(hear_result(rig, &from_now, 2, "last_seq"), 8);
    happen(rig, ENTRY_MARKER, 10);
    hear_events(rig, &late, 9, 9);
    hear_nothing(rig, &from_now);
    /* the same connection again, from further back */
    say(rig, &from_now, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    hear_result(rig, &from_now, 3, "seq");
    hear_events(rig, &from_now, 1, 9);
    peer_close(&from_now);
    peer_close(&from_3);
    peer_close(&strikes);
    peer_close(&late);
    rig_end(rig);
}

/* Events come while the journal is being read: at each of the places where that can happen. */
static void catch_up_meets_live_events(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.memory_events = 8;
    for (int i = 0; i < 300; i++)
        store(rig, ENTRY_MARKER, 400);
    rig_start(rig, &config);
    rig->gated = true;
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    hear_result(rig, &peer, 1, "seq");
    int64_t heard = 0;
    /* while each read waits at the gate, a few events are published: so many that the log forgets some, then so few that
     * it does not */
    for (int read = 0; read < 40; read++) {
        for (int i = 0; i < (read < 20 ? 20 : read < 30 ? 3 : 0); i++)
            happen(rig, ENTRY_MARKER, 400);
        for (int i = 0; i < 5; i++)
            turn(rig);
        uv_sem_post(&rig->gate);
        for (int i = 0; i < 50; i++) {
            turn(rig);
            take(&peer, 100000);
        }
        char *line;
        while ((line = next_line(&peer)) != NULL) {
            json_t *root = json_loads(line, 0, NULL);
            assert_int_equal(seq_of(root), ++heard);
            json_decref(root);
        }
    }
    for (int i = 0; i < 8; i++)
        uv_sem_post(&rig->gate);
    happen(rig, ENTRY_MARKER, 400);
    hear_events(rig, &peer, heard + 1, rig->last);
    assert_true(rig->last > 700);
    peer_close(&peer);
    rig_end(rig);
}

static void a_new_subscription_while_the_journal_is_read(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    for (int i = 0; i < 60; i++)
        store(rig, ENTRY_MARKER, 10);
    rig_start(rig, &config);
    rig->gated = true;
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    hear_result(rig, &peer, 1, "seq");
    for (int i = 0; i < 10; i++)
        turn(rig); /* the read has begun */
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"subscribe\",\"params\":{\"since\":50}}");
    hear_result(rig, &peer, 2, "seq");
    uv_sem_post(&rig->gate);
    uv_sem_post(&rig->gate);
    hear_events(rig, &peer, 51, 60); /* what the first read found is thrown away */
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    hear_result(rig, &peer, 3, "seq");
    for (int i = 0; i < 10; i++)
        turn(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":4,\"method\":\"unsubscribe\"}");
    assert_int_equal(hear_result(rig, &peer, 4, "last_seq"), 0);
    uv_sem_post(&rig->gate);
    hear_nothing(rig, &peer);
    peer_close(&peer);
    rig_end(rig);
}

static uint64_t random_state;

static uint32_t random_below(uint32_t limit)
{
    /* xorshift64*, Marsaglia 2003 / Vigna 2014 */
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return (uint32_t)((random_state * UINT64_C(2685821657736338717)) >> 33) % limit;
}

/* Any mix of reading and stalling, of events large and small, of requests in between: no gap, no repeat, no torn line. */
static void random_readers_miss_nothing(void **state)
{
    (void)state;
    const char *given = getenv("BELLROPE_SEED");
    uint64_t seed = given != NULL ? strtoull(given, NULL, 0) : 20310304;
    printf("seed %" PRIu64 "\n", seed);
    random_state = seed;
    for (int round = 0; round < 25; round++) {
        enum { PEERS = 6 };
        struct rig *rig = rig_new();
        struct socket_config config = config_of(rig);
        config.memory_events = 1 + random_below(40);
        config.memory_bytes = 1000 + random_below(60000);
        for (uint32_t i = random_below(200); i > 0; i--)
            store(rig, ENTRY_MARKER, random_below(3000));
        rig_start(rig, &config);
        struct peer peer[PEERS];
        int64_t heard[PEERS];
        int answers[PEERS] = {0}, asked[PEERS] = {0};
        for (int i = 0; i < PEERS; i++) {
            char line[128];
            heard[i] = random_below((uint32_t)rig->last + 1);
            peer[i] = connect_unix(rig);
            int small = 4096; /* so that writes are cut in the middle of lines */
            setsockopt(peer[i].fd, SOL_SOCKET, SO_RCVBUF, &small, sizeof small);
            snprintf(line, sizeof line,
                     "{\"jsonrpc\":\"2.0\",\"id\":0,\"method\":\"subscribe\",\"params\":{\"since\":%" PRId64
                     "}}",
                     heard[i]);
            say(rig, &peer[i], line);
            asked[i]++;
        }
        int64_t to_come = 200 + random_below(300);
        bool all = false;
        while (!all) {
            for (uint32_t i = random_below(20); i > 0 && to_come > 0; i--, to_come--)
                happen(rig, random_below(2) == 0 ? ENTRY_MARKER : ENTRY_STRIKE, random_below(3000));
            turn(rig);
            all = to_come == 0;
            for (int i = 0; i < PEERS; i++) {
                if (random_below(8) == 0 && asked[i] < 50) {
                    say(rig, &peer[i], "{\"jsonrpc\":\"2.0\",\"id\":0,\"method\":\"status\"}");
                    asked[i]++;
                }
                if (random_below(3) == 0 || to_come == 0)
                    take(&peer[i], 1 + random_below(20000));
                char *line;
                while ((line = next_line(&peer[i])) != NULL) {
                    json_t *root = json_loads(line, 0, NULL);
                    assert_non_null(root);
                    if (json_object_get(root, "id") != NULL)
                        answers[i]++;
                    else if (seq_of(root) != ++heard[i])
                        fail_msg("round %d peer %d: seq %" PRId64 " after %" PRId64, round, i, seq_of(root),
                                 heard[i] - 1);
                    json_decref(root);
                }
                assert_false(peer[i].ended);
                all = all && heard[i] == rig->last && answers[i] == asked[i];
            }
        }
        for (int i = 0; i < PEERS; i++)
            peer_close(&peer[i]);
        rig_end(rig);
    }
}

static void a_stalled_subscriber_is_let_go(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.queue_events = 100;
    config.memory_events = 50;
    config.linger_ms = 3600000;
    rig_start(rig, &config);
    struct peer stalled = connect_unix(rig), other = connect_unix(rig);
    say(rig, &stalled, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}");
    hear_result(rig, &stalled, 1, "seq");
    say(rig, &other, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}");
    hear_result(rig, &other, 1, "seq");
    struct socket_counts counts;
    do {
        happen(rig, ENTRY_MARKER, 3000);
        turn(rig);
        hear_events(rig, &other, rig->last, rig->last); /* the others are not held up */
        socket_counts(rig->server, &counts);
        assert_true(rig->last < 5000);
    } while (counts.dropped == 0);
    assert_int_equal(counts.subscribers, 1);
    assert_int_equal(counts.connections, 2); /* it may still fetch its notice */
    assert_non_null(strstr(rig->logged, "let go after seq"));
    /* when it wakes up it finds whole events, then the notice, then the end */
    int64_t heard = 0;
    json_t *root;
    for (;;) {
        root = hear(rig, &stalled);
        if (strcmp(json_string_value(json_object_get(root, "method")), "dropped") == 0)
            break;
        assert_int_equal(seq_of(root), ++heard);
        json_decref(root);
    }
    int64_t last_seq = json_integer_value(json_object_get(json_object_get(root, "params"), "last_seq"));
    json_decref(root);
    assert_int_equal(last_seq, heard);
    assert_true(heard < rig->last);
    hear_end(rig, &stalled);
    peer_close(&stalled);
    /* and resumes by seq */
    struct peer again = connect_unix(rig);
    char line[128];
    snprintf(line, sizeof line,
             "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":%" PRId64 "}}",
             last_seq);
    say(rig, &again, line);
    hear_result(rig, &again, 1, "seq");
    hear_events(rig, &again, last_seq + 1, rig->last);
    peer_close(&again);
    peer_close(&other);
    rig_end(rig);
}

static void a_dropped_subscriber_that_never_reads_is_closed(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.queue_events = 10;
    config.linger_ms = 1;
    rig_start(rig, &config);
    struct peer stalled = connect_unix(rig);
    say(rig, &stalled, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}");
    struct socket_counts counts;
    do {
        happen(rig, ENTRY_MARKER, 10000);
        turn(rig);
        socket_counts(rig->server, &counts);
    } while (counts.dropped == 0);
    do { /* the loop's own timer ends it */
        uv_run(&rig->loop, UV_RUN_ONCE);
        socket_counts(rig->server, &counts);
    } while (counts.connections > 0);
    peer_close(&stalled);
    rig_end(rig);
}

/* While a peer takes nothing no more is read for it than a piece ahead; then it gets all, and no row was read twice. */
static void the_journal_is_read_one_piece_ahead(void **state)
{
    (void)state;
    enum { EVENTS = 4000, BYTES = 1000, OTHERS = 40 };
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    for (int i = 0; i < EVENTS; i++)
        store(rig, ENTRY_MARKER, BYTES);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig), other = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    for (int i = 0; i < OTHERS;
         i++) { /* reads of the journal come in turn: what was asked for before is read by then */
        say(rig, &other,
            "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"subscribe\",\"params\":{\"since\":3999}}");
        hear_result(rig, &other, 2, "seq");
        hear_events(rig, &other, EVENTS, EVENTS);
    }
    uv_mutex_lock(&rig->lock);
    assert_true(rig->rows < EVENTS);
    uv_mutex_unlock(&rig->lock);
    hear_result(rig, &peer, 1, "seq");
    hear_events(rig, &peer, 1, EVENTS);
    assert_int_equal(rig->rows, EVENTS + OTHERS);
    peer_close(&peer);
    peer_close(&other);
    rig_end(rig);
}

static void an_unreadable_journal_is_told(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    store(rig, ENTRY_MARKER, 10);
    rig_start(rig, &config);
    rig->journal_fails = true;
    struct peer peer = connect_unix(rig);
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":0}}");
    hear_result(rig, &peer, 1, "seq");
    json_t *root = hear(rig, &peer);
    assert_string_equal(json_string_value(json_object_get(root, "method")), "dropped");
    const json_t *params = json_object_get(root, "params");
    assert_int_equal(json_integer_value(json_object_get(params, "last_seq")), 0);
    assert_string_equal(json_string_value(json_object_get(params, "why")), "the disk is gone");
    json_decref(root);
    hear_end(rig, &peer);
    peer_close(&peer);
    rig_end(rig);
}

/* A peer that asks and never reads costs no more than a bound, and holds up nobody. */
static void a_peer_that_only_asks(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer greedy = connect_unix(rig), other = connect_unix(rig);
    const char *line = "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}\n";
    int stuck = 0;
    size_t sent = 0;
    while (stuck < 100) { /* until the server reads no more */
        ssize_t part = send(greedy.fd, line, strlen(line), MSG_NOSIGNAL);
        stuck = part < 0 ? stuck + 1 : 0;
        sent += part > 0 ? 1 : 0;
        turn(rig);
        assert_true(sent < 100000);
    }
    say(rig, &other, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"status\"}");
    hear_result(rig, &other, 2, "seq");
    /* when it reads at last, every answer is there */
    for (size_t i = 0; i < sent; i++)
        hear_result(rig, &greedy, 1, "seq");
    hear_nothing(rig, &greedy);
    peer_close(&greedy);
    peer_close(&other);
    rig_end(rig);
}

static void many_subscribers_hear_all(void **state)
{
    (void)state;
    enum { PEERS = 200, EVENTS = 50 };
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    static struct peer peer[PEERS];
    for (int i = 0; i < PEERS; i++) {
        peer[i] = connect_unix(rig);
        say(rig, &peer[i], "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}");
        hear_result(rig, &peer[i], 1, "seq");
    }
    for (int i = 0; i < EVENTS; i++) {
        happen(rig, ENTRY_MARKER, 600);
        if (i % 7 == 0)
            turn(rig);
        if (i % 10 == 9) { /* peers leave in the middle of a fan-out */
            peer_close(&peer[i / 10]);
            turn(rig);
        }
    }
    for (int i = EVENTS / 10; i < PEERS; i++) {
        hear_events(rig, &peer[i], 1, EVENTS);
        peer_close(&peer[i]);
    }
    rig_end(rig);
}

/* -- who may come -- */

static void too_many_connections(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.connections = 2;
    rig_start(rig, &config);
    struct peer first = connect_unix(rig), second = connect_unix(rig), third = connect_unix(rig);
    hear_code(rig, &third, JSONRPC_BUSY);
    hear_end(rig, &third);
    peer_close(&first);
    peer_close(&third);
    struct socket_counts counts;
    do {
        turn(rig);
        socket_counts(rig->server, &counts);
    } while (counts.connections > 1);
    assert_int_equal(counts.refused, 1);
    third = connect_unix(rig);
    say(rig, &third, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}");
    hear_result(rig, &third, 1, "seq");
    peer_close(&second);
    peer_close(&third);
    rig_end(rig);
}

static void write_file(const char *path, const char *text, mode_t mode)
{
    int fd = open(path, O_CREAT | O_WRONLY | O_TRUNC, 0600);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    fchmod(fd, mode);
    close(fd);
}

static void tcp_peers_say_hello(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    char tokens[160];
    snprintf(tokens, sizeof tokens, "%s/tokens", rig->folder);
    write_file(tokens, "# bridge\nread reader-token-000001\nwrite writer-token-00001\n", 0640);
    struct socket_config config = config_of(rig);
    config.tcp_host = "127.0.0.1";
    config.token_file = tokens;
    rig_start(rig, &config);
    struct peer reader = connect_tcp(rig), writer = connect_tcp(rig), stranger = connect_tcp(rig);
    say(rig, &reader, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}");
    hear_code(rig, &reader, JSONRPC_TOKEN);
    say(rig, &reader,
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"hello\",\"params\":{\"token\":\"reader-token-000001\"}}");
    hear_result(rig, &reader, 1, "role");
    say(rig, &reader, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"status\"}");
    hear_result(rig, &reader, 2, "seq");
    say(rig, &reader, "{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"press\",\"params\":{\"key\":\"A1\"}}");
    hear_code(rig, &reader, JSONRPC_FORBIDDEN);
    assert_int_equal(rig->commands, 0);
    say(rig, &writer,
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"hello\",\"params\":{\"token\":\"writer-token-00001\"}}");
    hear_result(rig, &writer, 1, "role");
    say(rig, &writer, "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"press\",\"params\":{\"key\":\"A1\"}}");
    hear_result(rig, &writer, 2, "seq");
    say(rig, &stranger,
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"hello\",\"params\":{\"token\":\"writer-token-0000\"}}");
    hear_code(rig, &stranger, JSONRPC_TOKEN);
    hear_end(rig, &stranger);
    assert_null(strstr(rig->logged, "writer-token"));
    assert_non_null(strstr(rig->logged, "127.0.0.1 port"));
    peer_close(&reader);
    peer_close(&writer);
    peer_close(&stranger);
    unlink(tokens);
    rig_end(rig);
}

/* Beyond its rate a TCP peer is read more slowly; every message is answered all the same. */
static void a_quick_tcp_peer_loses_nothing(void **state)
{
    (void)state;
    enum { MESSAGES = 2500 };
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.tcp_host = "localhost";
    config.tcp_rate_per_s = 2000;
    rig_start(rig, &config);
    struct peer peer = connect_tcp(rig);
    char line[64];
    for (int i = 1; i <= MESSAGES; i++) {
        snprintf(line, sizeof line, "{\"jsonrpc\":\"2.0\",\"id\":%d,\"method\":\"unsubscribe\"}\n", i);
        give_text(rig, &peer, line);
        take(&peer, 65536);
    }
    for (int i = 1; i <= MESSAGES; i++)
        hear_result(rig, &peer, i, "last_seq");
    peer_close(&peer);
    rig_end(rig);
}

/* A bucket of one second's worth, refilled with time: never more are taken than that, whatever time passes, and all in the end. */
static void a_quick_unix_peer_is_read_more_slowly(void **state)
{
    (void)state;
    enum { RATE = 1000, MESSAGES = 1250 };
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    config.unix_rate_per_s = RATE;
    uv_update_time(&rig->loop);
    uint64_t begun_ms = uv_now(&rig->loop);
    rig_start(rig, &config);
    struct peer peer = connect_unix(rig);
    for (int i = 0; i < MESSAGES; i++) {
        give_text(rig, &peer, "{\"jsonrpc\":\"2.0\",\"method\":\"press\",\"params\":{\"key\":\"A1\"}}\n");
        assert_true(rig->commands <= RATE + (uv_now(&rig->loop) - begun_ms + 1) * RATE / 1000);
    }
    while (rig->commands < MESSAGES) {
        uv_run(&rig->loop, UV_RUN_ONCE);
        assert_true(rig->commands <= RATE + (uv_now(&rig->loop) - begun_ms + 1) * RATE / 1000);
    }
    hear_nothing(rig, &peer);
    peer_close(&peer);
    rig_end(rig);
}

/* What a peer has sent at once is taken over many turns of the loop, and what others send comes in between. */
static void a_flood_is_taken_in_slices(void **state)
{
    (void)state;
    enum { MESSAGES = 900, A_TURN = 32, ROOM = 64 * 1024 };
    struct rig *rig = rig_new();
    struct socket_config config = config_of(rig);
    rig_start(rig, &config);
    struct peer flood = connect_unix(rig), other = connect_unix(rig);
    static char text[ROOM];
    size_t len = 0;
    for (int i = 0; i < MESSAGES; i++)
        len += (size_t)snprintf(text + len, sizeof text - len,
                                "{\"jsonrpc\":\"2.0\",\"method\":\"press\",\"params\":{\"key\":\"A1\"}}\n");
    hear_nothing(rig, &other);
    assert_int_equal(send(flood.fd, text, len, MSG_NOSIGNAL), (ssize_t)len);
    say(rig, &other, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"unsubscribe\"}");
    hear_result(rig, &other, 1, "last_seq");
    assert_true(rig->commands < MESSAGES / 2);
    for (size_t before = rig->commands; before < MESSAGES; before = rig->commands) {
        turn(rig);
        assert_true(rig->commands <= before + 2 * A_TURN); /* what is left of a turn, and a fresh one */
    }
    peer_close(&flood);
    peer_close(&other);
    rig_end(rig);
}

static void refused_start(struct rig *rig, const struct socket_config *config, const char *says)
{
    char why[SOCKET_WHY_SIZE] = "";
    struct socket_server *server;
    struct socket_backend backend = BACKEND;
    backend.ctx = rig;
    assert_int_equal(socket_start(&server, &rig->loop, config, &backend, 0, why), -1);
    if (strstr(why, says) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", why, says);
    turn(rig);
    turn(rig);
}

static void places_that_cannot_be_had(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    char tokens[160];
    snprintf(tokens, sizeof tokens, "%s/tokens", rig->folder);
    struct socket_config tcp = {.tcp_host = "0.0.0.0"};
    refused_start(rig, &tcp, "only with token_file");
    tcp.tcp_host = "::";
    refused_start(rig, &tcp, "only with token_file");
    tcp.tcp_host = "bridge.invalid";
    refused_start(rig, &tcp, "numeric address");
    tcp.tcp_host = "0.0.0.0";
    tcp.token_file = tokens;
    refused_start(rig, &tcp, "tokens");
    write_file(tokens, "write writer-token-00001\n", 0644);
    refused_start(rig, &tcp, "chmod 0640");
    write_file(tokens, "write short\n", 0600);
    refused_start(rig, &tcp, "tokens:1: a token is 16 to 127");
    write_file(tokens, "\n# nobody\n", 0600);
    refused_start(rig, &tcp, "no token in it");
    /* a file that is no socket stays */
    struct socket_config here = {.unix_path = tokens};
    refused_start(rig, &here, "is no socket");
    assert_int_equal(access(tokens, F_OK), 0);
    unlink(tokens);
    char deep[160];
    snprintf(deep, sizeof deep, "%s/none/sock", rig->folder);
    here.unix_path = deep;
    refused_start(rig, &here, "is the folder there");
    char far[200];
    snprintf(far, sizeof far, "%s/%0120d", rig->folder, 1);
    here.unix_path = far;
    refused_start(rig, &here, "107 bytes");
    here.unix_path = rig->path;
    here.unix_group = "no-such-group-here";
    refused_start(rig, &here, "there is no group");
    assert_int_equal(access(rig->path, F_OK), -1);
    rig_end(rig);
}

static void a_second_daemon_is_refused_and_a_stale_file_removed(void **state)
{
    (void)state;
    struct rig *rig = rig_new();
    /* what a killed daemon leaves */
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s", rig->path);
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    close(fd);
    struct socket_config config = config_of(rig);
    config.unix_mode = 0606;
    rig_start(rig, &config);
    struct stat st;
    assert_int_equal(stat(rig->path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0606);
    char says[64];
    snprintf(says, sizeof says, "pid %ld", (long)getpid());
    refused_start(rig, &config, says);
    struct peer peer = connect_unix(rig); /* the first one still answers */
    say(rig, &peer, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}");
    hear_result(rig, &peer, 1, "seq");
    peer_close(&peer);
    rig_end(rig);
}

static void tokens_are_matched_whole(void **state)
{
    (void)state;
    char why[256];
    struct tokens *tokens = tokens_parse(
        "t", "  read\tAAAAAAAAAAAAAAAA \r\nwrite BBBBBBBBBBBBBBBBB\nread BBBBBBBBBBBBBBBBB", why, sizeof why);
    assert_non_null(tokens);
    assert_int_equal(tokens_role(tokens, "AAAAAAAAAAAAAAAA"), TOKEN_READS);
    assert_int_equal(tokens_role(tokens, "AAAAAAAAAAAAAAAAA"), TOKEN_NONE);
    assert_int_equal(tokens_role(tokens, "AAAAAAAAAAAAAAA"), TOKEN_NONE);
    assert_int_equal(tokens_role(tokens, "BBBBBBBBBBBBBBBBB"), TOKEN_WRITES);
    assert_int_equal(tokens_role(tokens, ""), TOKEN_NONE);
    tokens_free(tokens);
    assert_null(tokens_parse("t", "read AAAAAAAAAAAAAAAA\nadmin BBBBBBBBBBBBBBBB\n", why, sizeof why));
    assert_non_null(strstr(why, "t:2:"));
    assert_null(strstr(why, "BBBB"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(requests_are_answered),
        cmocka_unit_test(bad_input_gets_its_code_and_the_connection_goes_on),
        cmocka_unit_test(lines_may_come_byte_by_byte),
        cmocka_unit_test(batches_and_notifications),
        cmocka_unit_test(pipelined_commands_are_all_answered),
        cmocka_unit_test(a_known_dive_is_refused_before_the_engine),
        cmocka_unit_test(half_close_is_answered_then_closed),
        cmocka_unit_test(a_peer_may_leave_with_calls_under_way),
        cmocka_unit_test(stopping_with_work_under_way),
        cmocka_unit_test(subscribers_hear_what_happens),
        cmocka_unit_test(catch_up_meets_live_events),
        cmocka_unit_test(a_new_subscription_while_the_journal_is_read),
        cmocka_unit_test(random_readers_miss_nothing),
        cmocka_unit_test(a_stalled_subscriber_is_let_go),
        cmocka_unit_test(a_dropped_subscriber_that_never_reads_is_closed),
        cmocka_unit_test(the_journal_is_read_one_piece_ahead),
        cmocka_unit_test(an_unreadable_journal_is_told),
        cmocka_unit_test(a_peer_that_only_asks),
        cmocka_unit_test(many_subscribers_hear_all),
        cmocka_unit_test(too_many_connections),
        cmocka_unit_test(tcp_peers_say_hello),
        cmocka_unit_test(a_quick_tcp_peer_loses_nothing),
        cmocka_unit_test(a_quick_unix_peer_is_read_more_slowly),
        cmocka_unit_test(a_flood_is_taken_in_slices),
        cmocka_unit_test(places_that_cannot_be_had),
        cmocka_unit_test(a_second_daemon_is_refused_and_a_stale_file_removed),
        cmocka_unit_test(tokens_are_matched_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
