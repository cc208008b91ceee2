/* What the engine does where nobody wants an effect: nothing. So that a member of struct engine_sink may be NULL. */
#include "core/engine_state.h"

static void no_commit(void *ctx, const struct entry *entry)
{
    (void)ctx;
    (void)entry;
}

static void no_publish(void *ctx, int64_t seq_to)
{
    (void)ctx;
    (void)seq_to;
}

static void no_pad_send(void *ctx, int pad, const uint8_t *bytes, size_t len)
{
    (void)ctx;
    (void)pad;
    (void)bytes;
    (void)len;
}

static void no_sample(void *ctx, const struct engine_sample *sample)
{
    (void)ctx;
    (void)sample;
}

static void no_observe(void *ctx, const struct engine_observation *observation)
{
    (void)ctx;
    (void)observation;
}

static void no_reply(void *ctx, const struct engine_reply *reply)
{
    (void)ctx;
    (void)reply;
}

static void no_wake(void *ctx, mono_ns at)
{
    (void)ctx;
    (void)at;
}

static void no_log(void *ctx, enum engine_log_level level, const char *text)
{
    (void)ctx;
    (void)level;
    (void)text;
}

static void no_lookup(void *ctx, const struct engine_lookup *lookup)
{
    (void)ctx;
    (void)lookup;
}

struct engine_sink engine_sink_whole(const struct engine_sink *sink)
{
    return (struct engine_sink){
        .ctx = sink->ctx,
        .commit = sink->commit != NULL ? sink->commit : no_commit,
        .publish = sink->publish != NULL ? sink->publish : no_publish,
        .pad_send = sink->pad_send != NULL ? sink->pad_send : no_pad_send,
        .sample = sink->sample != NULL ? sink->sample : no_sample,
        .observe = sink->observe != NULL ? sink->observe : no_observe,
        .reply = sink->reply != NULL ? sink->reply : no_reply,
        .wake = sink->wake != NULL ? sink->wake : no_wake,
        .log = sink->log != NULL ? sink->log : no_log,
        .lookup = sink->lookup != NULL ? sink->lookup : no_lookup,
    };
}
