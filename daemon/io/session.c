#include "io/session.h"

#include "bellrope/version.h"
#include "io/log.h"
#include "io/request.h"
#include "io/server.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* A peer that sends more than these without waiting is read no further until some are answered. */
#define ANSWERS_MAX 1024
#define QUERIES_MAX 4

/* The connection is the session's first member. */
static struct session *of(struct connection *connection)
{
    return (struct session *)(void *)connection;
}

struct session *session_take(struct session *session)
{
    session->references++;
    return session;
}

void session_drop(struct session *session)
{
    if (--session->references > 0)
        return;
    struct socket_server *server = session->server;
    free(session);
    server->sessions_alive--;
    server_end_if_done(server);
}

void session_touch(struct session *session)
{
    struct socket_server *server = session->server;
    if (session->touched || session->io.closing || server->stopping)
        return;
    session->touched = true;
    session->next_touched = NULL;
    if (server->touched != NULL)
        server->touched_last->next_touched = session_take(session);
    else
        server->touched = session_take(session);
    server->touched_last = session;
    server_wake(server);
}

static void refuse_line(struct session *session, enum jsonrpc_code code, const char *why)
{
    session->server->counts.bad_messages++;
    jsonrpc_put_error(&session->io.replies, "null", code, why);
    bytes_text(&session->io.replies, "\n");
    session_touch(session);
}

/* -- methods answered at once -- */

static void put_line(void *ctx, const struct engine_status_line *line)
{
    struct bytes *out = ctx;
    if (out->at[out->len - 1] == '}')
        bytes_text(out, ",");
    bytes_text(out, "{\"what\":");
    bytes_json_text(out, line->what);
    bytes_print(out, ",\"sick\":%s,\"text\":", line->sick ? "true" : "false");
    bytes_json_text(out, line->text);
    bytes_text(out, "}");
}

static void answer_bytes(struct answer *answer, struct bytes *text)
{
    if (text->failed)
        answer_error(answer, JSONRPC_INTERNAL, "out of memory");
    else
        answer_result(answer, text->at, text->len);
    bytes_free(text);
}

static void do_status(struct session *session, struct answer *answer)
{
    struct socket_server *server = session->server;
    struct socket_counts counts;
    socket_counts(server, &counts);
    const char *dive = server->backend.dive(server->backend.ctx);
    struct bytes out = {0};
    bytes_text(&out, "{\"version\":\"" BELLROPE_VERSION "\",\"dive\":");
    if (dive[0] == '\0')
        bytes_text(&out, "null");
    else
        bytes_json_text(&out, dive);
    bytes_print(&out,
                ",\"seq\":%" PRId64 ",\"connections\":%zu,\"subscribers\":%zu,\"dropped\":%" PRIu64
                ",\"bad_messages\":%" PRIu64 ",\"lines\":[",
                server->published, counts.connections, counts.subscribers, counts.dropped,
                counts.bad_messages);
    if (!out.failed)
        server->backend.status(server->backend.ctx, put_line, &out);
    bytes_text(&out, "]}");
    answer_bytes(answer, &out);
}

static void do_subscribe(struct session *session, const struct request *request, struct answer *answer)
{
    struct socket_server *server = session->server;
    int64_t since = request->has_since ? request->since : server->published;
    struct bytes out = {0};
    if (since > server->published) {
        bytes_print(&out,
                    "subscribe: since %" PRId64 " is ahead of the journal, which ends at %" PRId64
                    "; is this another database?",
                    since, server->published);
        answer_error(answer, JSONRPC_PARAMS, out.failed ? "subscribe: since" : out.at);
        bytes_free(&out);
        return;
    }
    bytes_print(&out, "{\"since\":%" PRId64 ",\"seq\":%" PRId64 "}", since, server->published);
    answer_bytes(answer, &out);
    subscription_begin(&session->io.sub, since, request->types);
    catchup_forget(session);
    session->moved_at = server->published;
}

static void do_unsubscribe(struct session *session, struct answer *answer)
{
    struct bytes out = {0};
    bool was = session->io.sub.on;
    subscription_end(&session->io.sub);
    catchup_forget(session);
    if (was)
        bytes_print(&out, "{\"last_seq\":%" PRId64 "}", session->io.sub.next - 1);
    else
        bytes_text(&out, "{\"last_seq\":null}");
    answer_bytes(answer, &out);
}

static void do_hello(struct session *session, const struct request *request, struct answer *answer)
{
    struct socket_server *server = session->server;
    if (session->is_tcp && server->tokens != NULL) {
        session->role = tokens_role(server->tokens, request->token);
        if (session->role == TOKEN_NONE) {
            server->counts.refused++;
            log_warning("socket: %s gave a token that is not in the token file", session->peer);
            answer_error(answer, JSONRPC_TOKEN, "hello: this token is not known");
            connection_finish(&session->io);
            return;
        }
    }
    bool writes = session->role == TOKEN_WRITES;
    static const char READS[] = "{\"role\":\"read\"}", WRITES[] = "{\"role\":\"write\"}";
    answer_result(answer, writes ? WRITES : READS, strlen(writes ? WRITES : READS));
}

/* -- commands and queries -- */

/* Hands the record to the engine; its reply finds the answer by the token. */
static void hand_over(struct socket_server *server, int64_t token, const char *record, size_t len)
{
    struct answer answer;
    if (!server->stopping && server->backend.command(server->backend.ctx, record, len))
        return;
    if (calls_take(&server->calls, token, &answer))
        answer_error(&answer, JSONRPC_BUSY, "the daemon is ending; try again when it is back");
}

struct query_job {
    struct lane_job job; /* first */
    struct session *session;
    struct socket_query query;
    struct answer answer; /* of a query; dive.begin has its own among the calls */
    char *result;
    char why[SOCKET_WHY_SIZE];
    int64_t token; /* dive.begin: its call; 0 for a query */
    size_t record_len;
    char record[];
};

static void query_run(struct lane_job *job)
{
    struct query_job *query = (struct query_job *)(void *)job;
    const struct socket_backend *backend = &query->session->server->backend;
    query->result = backend->query(backend->ctx, &query->query, query->why);
}

static void begin_or_refuse(struct query_job *query)
{
    struct socket_server *server = query->session->server;
    struct answer answer;
    bool known = query->result != NULL && strcmp(query->result, "true") == 0;
    if (query->result != NULL && !known) {
        hand_over(server, query->token, query->record, query->record_len);
        return;
    }
    if (!calls_take(&server->calls, query->token, &answer))
        return;
    if (known) {
        snprintf(query->why, sizeof query->why,
                 "dive.begin: there is a dive %s already; give another id (`bellrope dive list` shows them)",
                 query->query.dive);
        answer_error(&answer, REFUSED_STATE, query->why);
    } else {
        answer_error(&answer, JSONRPC_DATABASE, query->why);
    }
}

static void query_done(struct lane_job *job, bool has_run)
{
    struct query_job *query = (struct query_job *)(void *)job;
    struct session *session = query->session;
    if (!has_run)
        snprintf(query->why, sizeof query->why, "the daemon is ending");
    if (query->token != 0)
        begin_or_refuse(query);
    else if (query->result != NULL)
        answer_result(&query->answer, query->result, strlen(query->result));
    else
        answer_error(&query->answer, JSONRPC_DATABASE, query->why);
    session->open_queries--;
    session_touch(session);
    free(query->result);
    free(query);
    session_drop(session);
}

/* `token` 0: a query, else the call of a dive.begin that has to wait for what the query says. */
static void ask_database(struct session *session, const struct request *request, int64_t token,
                         struct answer *answer)
{
    size_t record_len = token != 0 ? request->record_len : 0;
    struct query_job *query = NULL;
    if (session->open_queries < QUERIES_MAX)
        query = calloc(1, sizeof *query + record_len + 1);
    if (query == NULL) {
        answer_error(answer, JSONRPC_BUSY, "too many queries at once; wait for an answer, then ask again");
        return;
    }
    *query = (struct query_job){.job = {.run = query_run, .done = query_done},
                                .session = session_take(session),
                                .query = request->query,
                                .token = token,
                                .record_len = record_len};
    memcpy(query->record, request->record, record_len);
    if (token != 0)
        calls_add(&session->server->calls, *answer);
    else
        query->answer = *answer;
    session->open_queries++;
    lane_submit(&session->server->lane[SOCKET_LANE_QUERY], &query->job);
}

static void do_command(struct session *session, const struct request *request, int64_t token,
                       struct answer *answer)
{
    if (token == 0) {
        answer_error(answer, JSONRPC_BUSY, "too many commands wait for the store; try again");
        return;
    }
    if (request->new_dive) {
        ask_database(session, request, token, answer);
        return;
    }
    calls_add(&session->server->calls, *answer);
    hand_over(session->server, token, request->record, request->record_len);
}

/* -- from a line to a method -- */

static void act(struct session *session, const struct request *request, int64_t token, struct answer *answer)
{
    switch (request->kind) {
    case REQUEST_COMMAND:
        do_command(session, request, token, answer);
        break;
    case REQUEST_STATUS:
        do_status(session, answer);
        break;
    case REQUEST_SUBSCRIBE:
        do_subscribe(session, request, answer);
        break;
    case REQUEST_UNSUBSCRIBE:
        do_unsubscribe(session, answer);
        break;
    case REQUEST_QUERY:
        ask_database(session, request, 0, answer);
        break;
    case REQUEST_HELLO:
        do_hello(session, request, answer);
        break;
    }
}

/* Whether the peer's role covers the request; the code otherwise. */
static enum jsonrpc_code permit(const struct session *session, const struct request *request,
                                const char **why)
{
    if (request->kind == REQUEST_HELLO || session->role == TOKEN_WRITES)
        return JSONRPC_FINE;
    if (session->role == TOKEN_NONE) {
        *why = "say hello with a token first";
        return JSONRPC_TOKEN;
    }
    *why = "the token of this connection may only read";
    return request->writes ? JSONRPC_FORBIDDEN : JSONRPC_FINE;
}

static void do_call(struct session *session, struct batch *batch, const json_t *member)
{
    struct jsonrpc_call call;
    struct request request;
    char text[JSONRPC_WHY_SIZE];
    const char *why = text;
    enum jsonrpc_code code = jsonrpc_call_read(member, &call, text);
    bool answered = call.id != NULL || code == JSONRPC_INVALID;
    struct answer answer = answer_make(session, batch, answered ? jsonrpc_id_text(call.id) : NULL);
    int64_t token = calls_next_token(&session->server->calls);
    if (code == JSONRPC_INVALID)
        session->server->counts.bad_messages++;
    if (code == JSONRPC_FINE)
        code = request_read(&call, token, &request, text);
    if (code == JSONRPC_FINE)
        code = permit(session, &request, &why);
    if (code == JSONRPC_FINE)
        act(session, &request, token, &answer);
    else
        answer_error(&answer, code, why);
}

static void on_line(struct connection *connection, const char *line, size_t len)
{
    struct session *session = of(connection);
    enum jsonrpc_code code;
    char why[JSONRPC_WHY_SIZE];
    json_t *root = jsonrpc_parse(line, len, &code, why);
    if (root == NULL) {
        refuse_line(session, code, why);
        return;
    }
    if (json_is_object(root)) {
        do_call(session, NULL, root);
    } else {
        struct batch *batch = batch_new();
        for (size_t i = 0; batch != NULL && i < json_array_size(root); i++)
            do_call(session, batch, json_array_get(root, i));
        if (batch != NULL)
            batch_seal(batch, session);
        else
            refuse_line(session, JSONRPC_INTERNAL, "out of memory");
    }
    json_decref(root);
}

/* -- the connection's events -- */

static void on_overlong(struct connection *connection)
{
    char why[80];
    snprintf(why, sizeof why, "the line is longer than %zu bytes", connection->message_bytes);
    refuse_line(of(connection), JSONRPC_INVALID, why);
}

static void on_rate_timer(uv_timer_t *timer)
{
    connection_resume(timer->data);
}

static bool on_admit(struct connection *connection)
{
    struct session *session = of(connection);
    if (session->open_answers >= ANSWERS_MAX || session->open_queries >= QUERIES_MAX)
        return false;
    int64_t now_ns = (int64_t)uv_now(session->server->loop) * NS_PER_MS;
    int64_t wait_ns = rate_take(&session->rate, now_ns);
    if (wait_ns > 0)
        uv_timer_start(&connection->timer, on_rate_timer, (uint64_t)(wait_ns / NS_PER_MS + 1), 0);
    return wait_ns == 0;
}

static bool on_waits(const struct connection *connection)
{
    return ((const struct session *)(const void *)connection)->open_answers > 0;
}

static void on_linger_timer(uv_timer_t *timer)
{
    connection_close(timer->data);
}

void session_let_go(struct session *session, const char *why)
{
    struct connection *io = &session->io;
    subscription_end(&io->sub);
    catchup_forget(session);
    bytes_print(&io->replies,
                "{\"jsonrpc\":\"2.0\",\"method\":\"dropped\",\"params\":{\"last_seq\":%" PRId64 ",\"why\":",
                io->sub.next - 1);
    bytes_json_text(&io->replies, why);
    bytes_text(&io->replies, "}}\n");
    session->server->counts.dropped++;
    log_warning("socket: %s let go after seq %" PRId64 ": %s", session->peer, io->sub.next - 1, why);
    uv_timer_start(&io->timer, on_linger_timer, session->server->linger_ms, 0);
    connection_finish(io);
}

static void on_wants_piece(struct connection *connection)
{
    catchup_go_on(of(connection));
}

static void on_again(struct connection *connection)
{
    session_touch(of(connection));
}

static void on_closed(struct connection *connection)
{
    catchup_forget(of(connection));
    server_forget(of(connection)->server, of(connection));
}

static void on_freed(struct connection *connection)
{
    session_drop(of(connection));
}

static const struct connection_events EVENTS = {.admit = on_admit,
                                                .line = on_line,
                                                .overlong = on_overlong,
                                                .wants_piece = on_wants_piece,
                                                .again = on_again,
                                                .waits = on_waits,
                                                .closed = on_closed,
                                                .freed = on_freed};

struct session *session_new(struct socket_server *server, int fd, bool is_tcp)
{
    struct session *session = calloc(1, sizeof *session);
    if (session == NULL) {
        close(fd);
        return NULL;
    }
    session->server = server;
    session->references = 1;
    session->is_tcp = is_tcp;
    session->role = is_tcp && server->tokens != NULL ? TOKEN_NONE : TOKEN_WRITES;
    catchup_forget(session);
    rate_start(&session->rate, server->rate_per_s[is_tcp], (int64_t)uv_now(server->loop) * NS_PER_MS);
    listener_peer(fd, session->peer, sizeof session->peer);
    if (connection_open(&session->io, server->loop, fd, &EVENTS, &server->log, server->message_bytes) != 0) {
        free(session);
        return NULL;
    }
    return session;
}

void session_fan(struct session *session)
{
    struct connection *io = &session->io;
    int64_t published = session->server->published;
    if (!io->blocked) /* else it is visited when the peer takes more */
        connection_flush(io);
    if (io->closing || !io->sub.on)
        return;
    if (!io->blocked || io->sent != session->sent_before) {
        session->sent_before = io->sent;
        session->moved_at = published;
    } else if (published - session->moved_at > (int64_t)session->server->queue_events) {
        session_let_go(session, "it took nothing while too many events came");
    }
}
