#include "cli/client.h"

#include "io/bytes.h"

#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

struct client {
    int fd;
    struct bytes in;
    size_t taken;    /* of `in`: messages handed out */
    json_t *waiting; /* notifications that came during a call */
    json_int_t id;
    char place[256];
};

static int connect_unix(const char *path, char *why)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path) {
        snprintf(why, CLIENT_WHY_SIZE, "%s: longer than a unix socket's path may be", path);
        return -1;
    }
    memcpy(address.sun_path, path, strlen(path));
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd >= 0 && connect(fd, (struct sockaddr *)&address, sizeof address) == 0)
        return fd;
    if (errno == EACCES)
        snprintf(why, CLIENT_WHY_SIZE, "%s: not permitted; are you in the socket's group?", path);
    else
        snprintf(why, CLIENT_WHY_SIZE,
                 "no daemon answers at %s (%s); is bellroped running? Name another with --socket or --config",
                 path, strerror(errno));
    if (fd >= 0)
        close(fd);
    return -1;
}

static int connect_tcp(const char *place, char *why)
{
    char host[256];
    snprintf(host, sizeof host, "%s", place);
    char *port = strrchr(host, ':');
    *port++ = '\0';
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM}, *found = NULL;
    size_t len = strlen(host);
    char *name = host;
    if (len > 1 && host[0] == '[' && host[len - 1] == ']') {
        host[len - 1] = '\0';
        name = host + 1;
    }
    int failed = getaddrinfo(name, port, &hints, &found);
    if (failed != 0) {
        snprintf(why, CLIENT_WHY_SIZE, "%s: %s", place, gai_strerror(failed));
        return -1;
    }
    int fd = -1, error = 0;
    for (struct addrinfo *at = found; at != NULL && fd < 0; at = at->ai_next) {
        fd = socket(at->ai_family, SOCK_STREAM | SOCK_CLOEXEC, 0);
        if (fd >= 0 && connect(fd, at->ai_addr, at->ai_addrlen) == 0)
            break;
        error = errno;
        if (fd >= 0)
            close(fd);
        fd = -1;
    }
    freeaddrinfo(found);
    if (fd < 0)
        snprintf(why, CLIENT_WHY_SIZE, "no daemon answers at %s: %s", place, strerror(error));
    return fd;
}

/* The first token of a token file: lines `read TOKEN` or `write TOKEN`; a line of one word is a token as well. */
static bool first_token(const char *path, char *token, size_t size, char *why)
{
    FILE *file = fopen(path, "re");
    char line[256], first[128], second[128];
    bool found = false;
    if (file == NULL) {
        snprintf(why, CLIENT_WHY_SIZE, "token file %s: %s", path, strerror(errno));
        return false;
    }
    while (!found && fgets(line, sizeof line, file) != NULL) {
        int words = sscanf(line, " %127s %127s", first, second);
        if (words < 1 || first[0] == '#')
            continue;
        snprintf(token, size, "%s", words == 2 ? second : first);
        found = true;
    }
    fclose(file);
    if (!found)
        snprintf(why, CLIENT_WHY_SIZE, "token file %s: there is no token in it", path);
    return found;
}

static bool say_hello(struct client *client, const char *path, char *why)
{
    char token[128];
    if (!first_token(path, token, sizeof token, why))
        return false;
    json_t *result = client_call(client, "hello", json_pack("{s:s}", "token", token), why);
    json_decref(result);
    return result != NULL;
}

struct client *client_open(const struct target *target, char why[CLIENT_WHY_SIZE])
{
    if (target->socket[0] == '\0') {
        snprintf(why, CLIENT_WHY_SIZE, "the configuration names no socket; add [socket] unix = PATH to it");
        return NULL;
    }
    bool tcp = strchr(target->socket, '/') == NULL && strrchr(target->socket, ':') != NULL;
    int fd = tcp ? connect_tcp(target->socket, why) : connect_unix(target->socket, why);
    if (fd < 0)
        return NULL;
    struct client *client = calloc(1, sizeof *client);
    json_t *waiting = json_array();
    if (client == NULL || waiting == NULL) {
        snprintf(why, CLIENT_WHY_SIZE, "out of memory");
        close(fd);
        free(client);
        json_decref(waiting);
        return NULL;
    }
    client->fd = fd;
    client->waiting = waiting;
    snprintf(client->place, sizeof client->place, "%s", target->socket);
    if (tcp && target->token_file[0] != '\0' && !say_hello(client, target->token_file, why)) {
        client_close(client);
        return NULL;
    }
    return client;
}

void client_close(struct client *client)
{
    if (client == NULL)
        return;
    close(client->fd);
    bytes_free(&client->in);
    json_decref(client->waiting);
    free(client);
}

static bool send_all(struct client *client, const char *bytes, size_t len, char *why)
{
    while (len > 0) {
        ssize_t sent = send(client->fd, bytes, len, MSG_NOSIGNAL);
        if (sent < 0 && errno == EINTR)
            continue;
        if (sent < 0) {
            snprintf(why, CLIENT_WHY_SIZE, "the connection to %s broke: %s", client->place, strerror(errno));
            return false;
        }
        bytes += sent;
        len -= (size_t)sent;
    }
    return true;
}

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* One more read. False: nothing in time (`why` empty), or the end of the connection. */
static bool read_more(struct client *client, int wait_ms, char *why)
{
    struct pollfd look = {.fd = client->fd, .events = POLLIN};
    char bytes[65536];
    int ready = poll(&look, 1, wait_ms);
    why[0] = '\0';
    if (ready < 0 && errno == EINTR)
        return true;
    if (ready <= 0)
        return false;
    ssize_t got = recv(client->fd, bytes, sizeof bytes, 0);
    if (got <= 0) {
        snprintf(why, CLIENT_WHY_SIZE, "the daemon at %s closed the connection", client->place);
        return false;
    }
    bytes_skip(&client->in, client->taken);
    client->taken = 0;
    bytes_put(&client->in, bytes, (size_t)got);
    return true;
}

/* The next message that has arrived whole; `looked` bytes behind the last one are known to have no newline. */
static bool take_message(struct client *client, size_t *looked, json_t **message, char *why)
{
    size_t from = client->taken + *looked;
    const char *start = client->in.at + client->taken;
    const char *end =
        from < client->in.len ? memchr(client->in.at + from, '\n', client->in.len - from) : NULL;
    *looked = client->in.len - client->taken;
    if (end == NULL)
        return false;
    json_error_t error;
    *message = json_loadb(start, (size_t)(end - start), 0, &error);
    client->taken += (size_t)(end - start) + 1;
    if (*message == NULL)
        snprintf(why, CLIENT_WHY_SIZE, "%s sent what is no JSON: %s", client->place, error.text);
    return true;
}

/* The next message. NULL: nothing in time (`why` empty), or the connection ended. */
static json_t *next_message(struct client *client, int wait_ms, char *why)
{
    int64_t until = now_ms() + wait_ms;
    size_t looked = 0;
    json_t *message = NULL;
    while (!take_message(client, &looked, &message, why)) {
        int64_t left = wait_ms < 0 ? -1 : until - now_ms();
        if ((wait_ms >= 0 && left < 0) || !read_more(client, (int)left, why))
            return NULL;
    }
    return message;
}

/* The result out of a response, or its error as a sentence. Takes over `message`. */
static json_t *result_of(json_t *message, char *why)
{
    json_t *result = json_incref(json_object_get(message, "result"));
    if (result == NULL) {
        const char *text = json_string_value(json_object_get(json_object_get(message, "error"), "message"));
        snprintf(why, CLIENT_WHY_SIZE, "%s", text != NULL ? text : "an answer without result and error");
    }
    json_decref(message);
    return result;
}

json_t *client_call(struct client *client, const char *method, json_t *params, char why[CLIENT_WHY_SIZE])
{
    json_t *request = json_pack("{s:s, s:I, s:s}", "jsonrpc", "2.0", "id", ++client->id, "method", method);
    if (params != NULL)
        json_object_set_new(request, "params", params);
    char *line = json_dumps(request, JSON_COMPACT);
    json_decref(request);
    size_t len = line != NULL ? strlen(line) : 0;
    if (line != NULL)
        line[len++] = '\n'; /* in the place of the NUL: one packet, where two would wait for each other */
    bool sent = line != NULL && send_all(client, line, len, why);
    free(line);
    while (sent) {
        json_t *message = next_message(client, CLIENT_ANSWER_MS, why);
        if (message == NULL) {
            if (why[0] == '\0')
                snprintf(why, CLIENT_WHY_SIZE,
                         "no answer in %d s; can the store write? `bellrope status` says. It may still be "
                         "carried out",
                         CLIENT_ANSWER_MS / 1000);
            return NULL;
        }
        const json_t *id = json_object_get(message, "id");
        bool ours = json_is_integer(id) && json_integer_value(id) == client->id;
        if (ours || (json_is_null(id) && json_object_get(message, "error") != NULL))
            return result_of(message, why);
        json_array_append_new(client->waiting, message);
    }
    return NULL;
}

json_t *client_next(struct client *client, int wait_ms, char why[CLIENT_WHY_SIZE])
{
    why[0] = '\0';
    if (json_array_size(client->waiting) > 0) {
        json_t *message = json_incref(json_array_get(client->waiting, 0));
        json_array_remove(client->waiting, 0);
        return message;
    }
    return next_message(client, wait_ms, why);
}
