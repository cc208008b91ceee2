/*
 * The parts of the socket that need no socket: a subscriber's place in the stream against a plain model of it, the log of events,
 * the rate of messages. Time is an argument, randomness has a seed.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "io/rate.h"
#include "io/subscription.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint64_t random_state;

static uint32_t below(uint32_t limit)
{
    /* xorshift64*, Marsaglia 2003 / Vigna 2014 */
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return (uint32_t)((random_state * UINT64_C(2685821657736338717)) >> 33) % limit;
}

/* Event `seq` has a type and a length that follow from its number, so that journal and log agree. */
static enum entry_type type_of(int64_t seq)
{
    return (enum entry_type)(seq % 3);
}

static size_t json_of(int64_t seq, char out[256])
{
    int len = snprintf(out, 256, "{\"seq\":%" PRId64 ",\"pad\":\"%.*s\"}", seq, (int)(seq * 7 % 40),
                       "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx");
    return (size_t)len;
}

static void publish(struct event_log *log, int64_t seq)
{
    char json[256];
    size_t len = json_of(seq, json);
    struct event_text *text = event_text_new(seq, type_of(seq), json, len);
    assert_non_null(text);
    event_log_add(log, text);
}

static void the_log_keeps_the_newest(void **state)
{
    (void)state;
    struct event_log log;
    assert_true(event_log_init(&log, 5, 100000, 10)); /* rounded up to 8 places */
    assert_null(event_log_at(&log, 10));
    for (int64_t seq = 10; seq < 30; seq++)
        publish(&log, seq);
    assert_true(log.first == 22 && log.next == 30);
    assert_null(event_log_at(&log, 21));
    assert_null(event_log_at(&log, 30));
    assert_true(event_log_at(&log, 22)->seq == 22 && event_log_at(&log, 29)->seq == 29);
    /* a text in use outlives the log's own reference */
    struct event_text *held = event_text_take(event_log_at(&log, 22));
    publish(&log, 30);
    assert_null(event_log_at(&log, 22));
    assert_true(held->seq == 22);
    event_text_drop(held);
    /* a gap empties it: nothing in it may be missing */
    publish(&log, 32);
    assert_true(log.first == 32 && log.next == 33);
    event_log_free(&log);
    /* one text larger than all the room is still kept, alone */
    assert_true(event_log_init(&log, 8, 10, 1));
    publish(&log, 1);
    publish(&log, 2);
    assert_true(log.first == 2 && log.next == 3);
    event_log_free(&log);
}

/* What a subscriber must get, by the simplest reading: every wanted event after `since`, each as one whole line. */
struct model {
    struct bytes expected;
    size_t got;
};

static void expect_up_to(struct model *model, int64_t from, int64_t to, uint32_t types)
{
    char json[256];
    for (int64_t seq = from; seq <= to; seq++)
        if ((types >> type_of(seq) & 1) != 0)
            event_text_wrap(&model->expected, json, json_of(seq, json));
}

static void receive(struct model *model, const struct iovec *part, size_t count, size_t len)
{
    for (size_t i = 0; i < count && len > 0; i++) {
        size_t piece = part[i].iov_len < len ? part[i].iov_len : len;
        assert_true(model->got + piece <= model->expected.len);
        assert_memory_equal(part[i].iov_base, model->expected.at + model->got, piece);
        model->got += piece;
        len -= piece;
    }
}

static void give_piece(struct subscription *sub, int64_t published)
{
    struct piece piece = {0};
    char json[256];
    int64_t to = sub->next + below(30);
    to = to < published ? to : published;
    for (int64_t seq = sub->next; seq <= to; seq++)
        if ((sub->types >> type_of(seq) & 1) != 0)
            piece_add(&piece, seq, json, json_of(seq, json));
    piece.next = to + 1;
    subscription_give(sub, &piece);
    piece_free(&piece);
}

/* One send of as much as a peer happens to take. */
static void send_some(struct subscription *sub, const struct event_log *log, struct model *model)
{
    struct iovec part[7];
    size_t count = below(4) == 0 ? (size_t)subscription_rest(sub, part)
                                 : subscription_gather(sub, log, part, 1 + below(7));
    size_t all = 0;
    for (size_t i = 0; i < count; i++)
        all += part[i].iov_len;
    if (all == 0)
        return;
    size_t len = below(3) == 0 ? all : below((uint32_t)all + 1);
    receive(model, part, count, len);
    subscription_sent(sub, log, len);
}

static void any_order_of_events_gives_the_same_stream(void **state)
{
    (void)state;
    const char *given = getenv("BELLROPE_SEED");
    random_state = given != NULL ? strtoull(given, NULL, 0) : 20310304;
    printf("seed %" PRIu64 "\n", random_state);
    for (int round = 0; round < 3000; round++) {
        struct event_log log;
        struct subscription sub = {0};
        struct model model = {0};
        int64_t published = below(60);
        uint32_t types = 1 + below(7);
        assert_true(event_log_init(&log, 1 + below(16), 1 + below(4000), published + 1));
        int64_t since = below((uint32_t)published + 1);
        subscription_begin(&sub, since, types);
        expect_up_to(&model, since + 1, published, types);
        for (uint32_t steps = 20 + below(200); steps > 0; steps--) {
            for (uint32_t i = below(4) == 0 ? below(20) : 0; i > 0; i--) {
                publish(&log, ++published);
                expect_up_to(&model, published, published, types);
            }
            if (subscription_wants_piece(&sub, &log) && below(2) == 0)
                give_piece(&sub, published);
            send_some(&sub, &log, &model);
        }
        /* ended anywhere: the line that was begun is finished, and next - 1 is what the peer has whole */
        bool ends = below(2) == 0;
        if (ends) {
            subscription_end(&sub);
            size_t whole = model.got;
            while (whole > 0 && whole < model.expected.len && model.expected.at[whole - 1] != '\n')
                whole++;
            model.expected.len = whole;
        }
        while (model.got < model.expected.len) {
            if (subscription_wants_piece(&sub, &log))
                give_piece(&sub, published);
            send_some(&sub, &log, &model);
        }
        struct iovec part;
        assert_int_equal(subscription_gather(&sub, &log, &part, 1), 0);
        if (!ends)
            assert_true(sub.next == published + 1 || subscription_wants_piece(&sub, &log));
        struct model seen = {0};
        expect_up_to(&seen, since + 1, sub.next - 1, types);
        assert_int_equal(seen.expected.len, model.expected.len);
        bytes_free(&seen.expected);
        bytes_free(&model.expected);
        subscription_free(&sub);
        event_log_free(&log);
    }
}

static void a_rate_is_kept(void **state)
{
    (void)state;
    struct rate rate;
    const int64_t second = 1000000000;
    rate_start(&rate, 10, 5 * second);
    for (int i = 0; i < 10; i++)
        assert_true(rate_take(&rate, 5 * second) == 0);
    int64_t wait = rate_take(&rate, 5 * second);
    assert_true(wait == second / 10);
    assert_true(rate_take(&rate, 5 * second + wait - 1) > 0);
    assert_true(rate_take(&rate, 5 * second + wait) == 0);
    assert_true(rate_take(&rate, 5 * second + wait) > 0);
    /* an hour's rest gives one second's worth, no more */
    int taken = 0;
    while (rate_take(&rate, 3600 * second) == 0)
        taken++;
    assert_int_equal(taken, 10);
    /* time that goes back gives nothing and takes nothing */
    assert_true(rate_take(&rate, 0) > 0);
    /* over a long time no more than the rate, whatever the steps */
    rate_start(&rate, 7, 0);
    int64_t now = 0;
    taken = 0;
    random_state = 1;
    while (now < 100 * second) {
        now += below(50000000);
        taken += rate_take(&rate, now) == 0 ? 1 : 0;
    }
    assert_in_range(taken, 690, 707);
    rate_start(&rate, 0, 0);
    for (int i = 0; i < 1000; i++)
        assert_true(rate_take(&rate, 0) == 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_log_keeps_the_newest),
        cmocka_unit_test(any_order_of_events_gives_the_same_stream),
        cmocka_unit_test(a_rate_is_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
