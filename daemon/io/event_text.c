#include "io/event_text.h"

#include <stdlib.h>
#include <string.h>

static const char HEAD[] = "{\"jsonrpc\":\"2.0\",\"method\":\"event\",\"params\":";
static const char TAIL[] = "}\n";
#define HEAD_LEN (sizeof HEAD - 1)
#define TAIL_LEN (sizeof TAIL - 1)

struct event_text *event_text_new(int64_t seq, enum entry_type type, const char *json, size_t len)
{
    size_t whole = HEAD_LEN + len + TAIL_LEN;
    struct event_text *text = malloc(sizeof *text + whole);
    if (text == NULL)
        return NULL;
    *text = (struct event_text){.references = 1, .type = type, .seq = seq, .len = whole};
    memcpy(text->bytes, HEAD, HEAD_LEN);
    memcpy(text->bytes + HEAD_LEN, json, len);
    memcpy(text->bytes + HEAD_LEN + len, TAIL, TAIL_LEN);
    return text;
}

struct event_text *event_text_take(struct event_text *text)
{
    text->references++;
    return text;
}

void event_text_drop(struct event_text *text)
{
    if (text != NULL && --text->references == 0)
        free(text);
}

void event_text_wrap(struct bytes *out, const char *json, size_t len)
{
    bytes_put(out, HEAD, HEAD_LEN);
    bytes_put(out, json, len);
    bytes_put(out, TAIL, TAIL_LEN);
}

bool event_log_init(struct event_log *log, size_t slots, size_t bytes_max, int64_t next)
{
    size_t power = 1;
    while (power < slots)
        power *= 2;
    *log = (struct event_log){.slots = power, .bytes_max = bytes_max, .first = next, .next = next};
    log->ring = calloc(power, sizeof(struct event_text *));
    return log->ring != NULL;
}

static struct event_text **slot(const struct event_log *log, int64_t seq)
{
    return &log->ring[(uint64_t)seq & (log->slots - 1)];
}

static void forget_first(struct event_log *log)
{
    struct event_text **oldest = slot(log, log->first++);
    log->bytes -= (*oldest)->len;
    event_text_drop(*oldest);
    *oldest = NULL;
}

void event_log_restart(struct event_log *log, int64_t next)
{
    while (log->first < log->next)
        forget_first(log);
    log->first = log->next = next;
}

void event_log_free(struct event_log *log)
{
    event_log_restart(log, 0);
    free(log->ring);
    *log = (struct event_log){0};
}

void event_log_add(struct event_log *log, struct event_text *text)
{
    if (text->seq != log->next)
        event_log_restart(log, text->seq);
    while (log->first < log->next &&
           ((size_t)(log->next - log->first) == log->slots || log->bytes + text->len > log->bytes_max))
        forget_first(log);
    *slot(log, text->seq) = text;
    log->bytes += text->len;
    log->next = text->seq + 1;
}

struct event_text *event_log_at(const struct event_log *log, int64_t seq)
{
    return seq >= log->first && seq < log->next ? *slot(log, seq) : NULL;
}
