/*
 * rig_pads: the firmware in the rig under a host made of a few lines. Over random clocks, bridges, matrices and pulls, every finger is one
 * press, no press is made by nobody, what a stamp claims holds the truth, and what a pad says of its clock obeys cause and effect.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "pad_seed.h"
#include "rig.h"

enum { PADS = 2, RIGS = 12, PINGS = 64 };

struct host {
    struct rig *rig;
    struct wire_decoder decoder[PADS];
    bool plugged[PADS];
    int64_t ping_sent_ns[PADS][PINGS];
    uint16_t ping_id[PADS];
    int64_t now_ns;
    int pongs, kept, phantoms, stamped;
    /* the instant of tick 0 and the rate, known to the test alone */
    const struct script *script;
    int64_t boot_ns[PADS];
};

static void send_message(struct host *host, int pad, const struct wire_message *message)
{
    uint8_t frame[WIRE_FRAME_MAX];
    int n = wire_encode(message, frame, sizeof frame);
    assert_true(n > 0);
    rig_pad_bytes(host->rig, pad, host->now_ns, frame, (size_t)n);
}

static double true_tick_us(const struct host *host, int pad, int64_t at_ns)
{
    return (double)host->script->pad[pad].tick0_us +
           (double)(at_ns - host->boot_ns[pad]) / 1e3 * (1 + host->script->pad[pad].clock_ppm * 1e-6);
}

struct told {
    struct host *host;
    int pad;
    bool hello;
    struct wire_kept keep[16];
    size_t keeps;
};

static void check_pong(struct host *host, int pad, const struct wire_pong *pong)
{
    int64_t sent_ns = host->ping_sent_ns[pad][pong->id % PINGS];
    assert_true((double)pong->rx_tick_us >= true_tick_us(host, pad, sent_ns) - 1);
    assert_true(pong->tx_tick_us >= pong->rx_tick_us);
    assert_true((double)pong->tx_tick_us <= true_tick_us(host, pad, host->now_ns) + 1);
    host->pongs++;
}

static void on_message(void *ctx, const struct wire_message *message)
{
    struct told *told = ctx;
    if (message->type == WIRE_PONG)
        check_pong(told->host, told->pad, &message->u.pong);
    else if (message->type == WIRE_HELLO)
        told->hello = true;
    else if (message->type == WIRE_PRESS && told->keeps < 16)
        told->keep[told->keeps++] =
            (struct wire_kept){message->u.press.boot, message->u.press.seq, WIRE_RESULT_KEPT};
}

/* What the pad sent is looked at once the rig has come to rest: the host may not call it from within. */
static uint8_t waiting[PADS][4096];
static size_t waiting_count[PADS];

static void on_bytes(void *ctx, int pad, int64_t now_ns, const uint8_t *bytes, size_t len)
{
    (void)ctx;
    (void)now_ns;
    assert_true(waiting_count[pad] + len <= sizeof waiting[pad]);
    memcpy(waiting[pad] + waiting_count[pad], bytes, len);
    waiting_count[pad] += len;
}

static void on_plug(void *ctx, int pad, int64_t now_ns, bool plugged)
{
    struct host *host = ctx;
    (void)now_ns;
    host->plugged[pad] = plugged;
    waiting_count[pad] = 0;
    wire_decoder_init(&host->decoder[pad]);
}

static void on_feed(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes, size_t len)
{
    (void)ctx;
    (void)feed;
    (void)now_ns;
    (void)bytes;
    (void)len;
}

static void on_audio(void *ctx, int64_t now_ns, const int16_t *samples, size_t count)
{
    (void)ctx;
    (void)now_ns;
    (void)samples;
    (void)count;
}

static void on_recorder(void *ctx, int64_t now_ns, bool running)
{
    (void)ctx;
    (void)now_ns;
    (void)running;
}

static void on_say(void *ctx, int64_t now_ns, const char *text)
{
    (void)ctx;
    (void)now_ns;
    (void)text;
}

static void on_press(void *ctx, int64_t now_ns, const struct rig_press *press, int news)
{
    struct host *host = ctx;
    (void)now_ns;
    (void)press;
    host->kept += news == RIG_KEPT;
}

static void on_event(void *ctx, int64_t now_ns, const char *what, int pad, uint32_t boot, const char *text)
{
    struct host *host = ctx;
    (void)boot;
    if (strcmp(what, "boot") == 0)
        host->boot_ns[pad] = now_ns;
    if (strcmp(what, "phantom") == 0) {
        printf("phantom %s on pad %d at %.6f s\n", text, pad, (double)now_ns / 1e9);
        host->phantoms++;
    }
}

static void run_host(struct host *host)
{
    for (int pad = 0; pad < PADS; pad++) {
        struct told told = {.host = host, .pad = pad};
        size_t n = waiting_count[pad];
        uint8_t bytes[sizeof waiting[0]];
        memcpy(bytes, waiting[pad], n);
        waiting_count[pad] = 0;
        wire_decoder_feed(&host->decoder[pad], bytes, n, on_message, &told);
        for (size_t i = 0; i < told.keeps; i++)
            if (seed_pick(20) != 0) /* now and then an answer is lost on the way */
                send_message(host, pad, &(struct wire_message){.type = WIRE_KEPT, .u.kept = told.keep[i]});
        if (told.hello)
            send_message(host, pad,
                         &(struct wire_message){.type = WIRE_ASK_HELLO, .u.ask_hello = {WIRE_VERSION}});
        if (host->plugged[pad] && seed_pick(400) == 0) {
            uint16_t id = ++host->ping_id[pad];
            host->ping_sent_ns[pad][id % PINGS] = host->now_ns;
            send_message(host, pad, &(struct wire_message){.type = WIRE_PING, .u.ping = {id}});
        }
    }
}

static void quiet_problem(void *ctx, int line, const char *text)
{
    (void)ctx;
    fail_msg("line %d: %s", line, text);
}

static void random_script(struct script *script, bool pulls)
{
    char text[2048];
    int n = snprintf(text, sizeof text, "seed %u\n", seed_random());
    for (int pad = 0; pad < PADS; pad++)
        n += snprintf(text + n, sizeof text - (size_t)n,
                      "pad p%d serial P-%d clock %dppm batch %ums turn %uus latch %s baud %u begins %u\n",
                      pad, pad, (int)seed_pick(10001) - 5000, seed_pick(2) * 16, 100 + seed_pick(900),
                      seed_pick(4) ? "on" : "off", seed_pick(2) ? 115200u : 38400u, seed_pick(5000));
    n += snprintf(text + n, sizeof text - (size_t)n, "at 1 random 120 pads p0,p1 for 40\n");
    if (pulls) {
        n += snprintf(text + n, sizeof text - (size_t)n, "at 10 pull p0 power on\nat 15 plug p0\n");
        (void)snprintf(text + n, sizeof text - (size_t)n, "at 20 pull p1 power off\nat 25 plug p1\n");
    }
    script_init(script);
    assert_int_equal(script_parse(script, text, strlen(text), quiet_problem, NULL), 0);
}

static void run_one(bool pulls)
{
    static struct host host;
    struct script script;
    struct rig_sink sink = {&host,       on_bytes, on_plug,  on_feed, on_audio,
                            on_recorder, on_say,   on_press, on_event};
    struct rig_count count;
    memset(&host, 0, sizeof host);
    random_script(&script, pulls);
    host.script = &script;
    host.now_ns = INT64_C(987654321000);
    host.rig = rig_new(&script, NULL, host.now_ns, INT64_C(1930000000000000000), &sink);
    assert_non_null(host.rig);
    rig_begin(host.rig);
    /* the host's loop comes at uneven times, now and then late by 60 ms */
    while (!rig_done(host.rig)) {
        host.now_ns += 200000 + seed_pick(1000000) + (seed_pick(500) == 0 ? 60000000 : 0);
        rig_advance(host.rig, host.now_ns);
        run_host(&host);
    }
    rig_count(host.rig, -1, &count);
    if (!pulls)
        assert_int_equal(count.made, 120);
    assert_int_equal(count.kept + count.gone, count.made);
    assert_int_equal(count.missed, 0);
    assert_int_equal(count.phantoms, 0);
    assert_int_equal(count.stamp_outside, 0);
    assert_true(host.pongs > 50);
    rig_free(host.rig);
    script_free(&script);
}

static void every_finger_is_one_press(void **state)
{
    (void)state;
    for (int i = 0; i < RIGS; i++)
        run_one(false);
}

static void pulled_pads_lose_nothing_they_saved(void **state)
{
    (void)state;
    for (int i = 0; i < RIGS; i++)
        run_one(true);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_finger_is_one_press),
        cmocka_unit_test(pulled_pads_lose_nothing_they_saved),
    };
    seed_begin("rig_pads");
    return cmocka_run_group_tests_name("rig_pads", tests, NULL, NULL);
}
