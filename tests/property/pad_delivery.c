/*
 * Every press exactly once: random keys with random bounce, a line that drops, cuts and spoils frames, a host that is away at times, a
 * pad that loses power at random instants. The host tells redelivery by (boot, seq). Then, for every pad:
 *
 *   - no press is invented, and none is counted twice;
 *   - every press of a boot that did not lose power is delivered;
 *   - of a boot that did, every press the pad had put on record or the host had been offered is delivered;
 *   - the stamp's bounds hold the true first contact.
 *
 * Bounce: 0 to 6.2 ms, the range of J. Ganssle, "A Guide to Debouncing" (2004).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

#include "unit/pad_bench.h"
#include "property/pad_seed.h"

enum { MAX_TRUE = 600 };

struct truth {
    uint64_t tick_us;
    uint8_t key;
};

static struct truth truths[MAX_TRUE];

/* Presses one after the other, each with its own bounce and length; now and then a spike on some key in between. */
static unsigned write_script(struct bench *b, unsigned presses)
{
    uint64_t t = b->now_us + 50000;
    for (unsigned i = 0; i < presses; i++) {
        uint8_t key = (uint8_t)seed_pick(16);
        uint32_t hold_us = 40000 + seed_pick(200000);
        uint64_t at = t + seed_pick(20000);
        bench_bounce(b, at, key, true, seed_pick(6200), seed_pick(6));
        bench_bounce(b, at + hold_us, key, false, seed_pick(6200), seed_pick(4));
        truths[i] = (struct truth){at, key};
        t = at + hold_us + 30000 + seed_pick(300000);
        if (seed_pick(4) == 0) {
            bench_edge_at(b, t, (uint8_t)seed_pick(16), true);
            bench_edge_at(b, t + seed_pick(2500), b->edge[b->edges - 1].key, false);
            t += 40000;
        }
    }
    return presses;
}

/* Presses of this boot are matched in order: the nth key-down the pad made is the nth true one. */
static unsigned match(const struct bench *b, uint32_t boot, unsigned presses)
{
    static bool seen[MAX_TRUE];
    unsigned found = 0;
    memset(seen, 0, sizeof seen);
    for (unsigned i = 0; i < b->gots; i++) {
        const struct wire_press *press = &b->got[i].press;
        if (press->boot != boot) {
            continue;
        }
        assert_in_range(press->seq, 1, presses);
        assert_false(seen[press->seq - 1]);
        seen[press->seq - 1] = true;
        found++;
        const struct truth *truth = &truths[press->seq - 1];
        assert_int_equal(press->key, truth->key);
        assert_true(truth->tick_us + press->before_us >= press->tick_us);
        assert_true(truth->tick_us <= press->tick_us + press->after_us);
    }
    return found;
}

static void one_bad_day(unsigned pace)
{
    struct bench b;
    bench_init(&b, seed_random(), bench_paces[pace].start_us, bench_paces[pace].period_us,
               bench_paces[pace].jumpy);
    b.board.touched = seed_pick(3) == 0 ? NULL : bench_touched;
    b.lose_per_mille = seed_pick(400);
    bench_run(&b, 300000);
    unsigned presses = write_script(&b, PAD_QUEUE < 16 ? 40 : 60); /* fewer than it has room for */
    uint64_t end = b.edge[b.edges - 1].tick_us + 100000;
    while (b.now_us < end) {
        b.connected = seed_pick(5) != 0; /* the host is away for a second or two */
        b.keeps = seed_pick(5) != 0;
        bench_run(&b, 200000 + seed_pick(1500000));
    }
    b.connected = b.keeps = true;
    b.lose_per_mille = 100;
    bench_run(&b, 60000000);
    assert_int_equal(b.pad.fault[WIRE_FAULT_QUEUE_FULL - 1].count, 0);
    assert_int_equal(pad_waiting(&b.pad), 0);
    assert_int_equal(match(&b, b.pad.boot, presses), presses);
    assert_int_equal(b.gots, presses);
    bench_free(&b);
}

static void every_press_arrives_once_over_a_bad_line(void **state)
{
    (void)state;
    for (unsigned i = 0; i < 60; i++) {
        one_bad_day(i % BENCH_PACES);
    }
}

/* Seqs that must not be lost: those on record in the memory and those the host was offered. */
static unsigned safe_presses(const struct bench *b)
{
    unsigned safe = 0;
    for (unsigned i = 0; i < b->pad.queue.count; i++) {
        const struct queue_press *press = &b->pad.queue.press[i];
        bool offered = false;
        for (unsigned k = 0; k < b->gots; k++) {
            offered = offered || (b->got[k].press.boot == press->boot && b->got[k].press.seq == press->seq);
        }
        safe += !offered && press->slot != QUEUE_NO_SLOT;
    }
    return safe;
}

static void presses_on_record_outlive_any_power_cut(void **state)
{
    (void)state;
    unsigned cuts = 0, outlived = 0;
    for (unsigned day = 0; day < 40; day++) {
        struct bench b;
        bench_init(&b, seed_random(), 0, 250, false);
        for (unsigned cut = 0; cut < 12; cut++) {
            bench_run(&b, 200000);
            b.edges = b.edge_at = 0;
            unsigned presses = write_script(&b, 1 + seed_pick(6));
            b.connected = seed_pick(3) == 0;
            bench_run(&b, seed_pick(3000000));
            unsigned before = b.gots;
            unsigned safe = safe_presses(&b);
            uint32_t boot = b.pad.boot;
            bench_power_cut(&b);
            bench_power_up(&b, 0);
            memset(b.contact, 0, sizeof b.contact);
            b.edges = b.edge_at = 0;
            b.connected = true;
            bench_run(&b, 3000000);
            assert_int_equal(pad_waiting(&b.pad), 0);
            assert_true(b.gots >= before + safe);
            (void)match(&b, boot, presses);
            cuts++;
            outlived += safe;
        }
        bench_free(&b);
    }
    printf("%u power cuts, %u presses known to the memory alone, all delivered\n", cuts, outlived);
    assert_true(outlived > 100);
}

int main(void)
{
    seed_begin("pad_delivery");
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_press_arrives_once_over_a_bad_line),
        cmocka_unit_test(presses_on_record_outlive_any_power_cut),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
