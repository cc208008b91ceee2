/*
 * channel against a plain model: random samples in random order from random feeds, and random questions. The model keeps every sample and
 * answers by looking through all of them.
 */
#include <stdlib.h>

#include "core/channel.h"
#include "property/core_random.h"
#include "unit/core_near.h"

enum { FEEDS = 3, SAMPLES = 300, QUESTIONS = 300, ROUNDS = 200 };

struct model {
    int64_t stale_ns;
    int count;
    int64_t at[SAMPLES];
    double value[SAMPLES];
};

static void model_add(struct model *m, int64_t at, double value)
{
    for (int i = 0; i < m->count; i++) {
        if (m->at[i] == at) {
            m->value[i] = value;
            return;
        }
    }
    m->at[m->count] = at;
    m->value[m->count++] = value;
}

static enum channel_method model_at(const struct model *m, int64_t t, double *value)
{
    int before = -1;
    int after = -1;

    for (int i = 0; i < m->count; i++) {
        if (m->at[i] <= t && (before < 0 || m->at[i] > m->at[before])) {
            before = i;
        }
        if (m->at[i] > t && (after < 0 || m->at[i] < m->at[after])) {
            after = i;
        }
    }
    if (before < 0) {
        return CHANNEL_ABSENT;
    }
    *value = m->value[before];
    if (m->at[before] == t) {
        return CHANNEL_INTERPOLATED;
    }
    if (after >= 0 && m->at[after] - m->at[before] <= m->stale_ns) {
        double f = (double)(t - m->at[before]) / (double)(m->at[after] - m->at[before]);
        *value += f * (m->value[after] - m->value[before]);
        return CHANNEL_INTERPOLATED;
    }
    return t - m->at[before] <= m->stale_ns ? CHANNEL_LAST : CHANNEL_ABSENT;
}

static void round_of(struct channel_set *set)
{
    static struct model model[FEEDS];
    int order[FEEDS] = {0, 1, 2};

    channel_set_init(set);
    for (int i = FEEDS - 1; i > 0; i--) {
        int k = random_below(i + 1);
        int keep = order[i];
        order[i] = order[k];
        order[k] = keep;
    }
    for (int i = 0; i < FEEDS; i++) {
        int feed = order[i];
        model[feed].count = 0;
        model[feed].stale_ns = 1 + random_below(60);
        channel_feed_declare(set, (uint8_t)feed, (uint8_t)i, model[feed].stale_ns, 0);
    }
    int samples = 1 + random_below(SAMPLES);
    for (int i = 0; i < samples; i++) {
        int feed = random_below(FEEDS);
        int64_t at = random_below(1000);
        double value = random_uniform(-100, 100);
        model_add(&model[feed], at, value);
        assert_int_equal(channel_add(set, CHANNEL_VEHICLE_ALTITUDE, (uint8_t)feed, (mono_ns){at}, value),
                         CHANNEL_ADDED);
    }
    for (int i = 0; i < QUESTIONS; i++) {
        int64_t t = random_below(1100) - 50;
        struct channel_reading got;
        enum channel_method want = CHANNEL_ABSENT;
        double value = 0.0;
        int used = -1;
        channel_at(set, CHANNEL_VEHICLE_ALTITUDE, (mono_ns){t}, &got);
        for (int k = 0; k < FEEDS && want == CHANNEL_ABSENT; k++) {
            used = order[k];
            want = model_at(&model[used], t, &value);
        }
        assert_int_equal(got.method, want);
        assert_int_equal(got.known, want != CHANNEL_ABSENT);
        if (got.known) {
            assert_int_equal(got.feed, used);
            assert_near(got.value, value, 1e-9);
        }
    }
}

static void agrees_with_the_model(void **state)
{
    struct channel_set *set = calloc(1, sizeof *set);

    (void)state;
    for (int i = 0; i < ROUNDS; i++) {
        round_of(set);
    }
    free(set);
}

/* Whatever is said to be settled stays as it is, as long as each feed delivers in order. */
static void settled_answers_never_change(void **state)
{
    struct channel_set *set = calloc(1, sizeof *set);
    enum { ASKED = 40 };

    (void)state;
    for (int round = 0; round < ROUNDS; round++) {
        struct channel_reading settled[ASKED];
        int64_t instant[ASKED];
        int64_t latency[FEEDS];
        int64_t next[FEEDS]; /* arrival of each feed's next sample */
        int changed = 0;
        channel_set_init(set);
        for (int f = 0; f < FEEDS; f++) {
            latency[f] = random_below(40);
            next[f] = 200 + random_below(30);
            channel_feed_declare(set, (uint8_t)f, (uint8_t)f, 10 + random_below(50), latency[f]);
        }
        for (int i = 0; i < ASKED; i++) {
            instant[i] = 300 + random_below(500);
            settled[i].settled = false;
        }
        for (int64_t now = 200; now < 1000; now++) {
            for (int f = 0; f < FEEDS; f++) {
                if (next[f] == now) {
                    channel_add(set, CHANNEL_VEHICLE_ALTITUDE, (uint8_t)f, (mono_ns){now - latency[f]},
                                random_uniform(0, 1));
                    next[f] += random_below(10) == 0 ? 1 + random_below(150) : 1 + random_below(15);
                }
            }
            for (int i = 0; i < ASKED; i++) {
                struct channel_reading r;
                channel_at(set, CHANNEL_VEHICLE_ALTITUDE, (mono_ns){instant[i]}, &r);
                if (now < 300) {
                    continue; /* until every feed has begun, absent is not for ever */
                }
                if (settled[i].settled) {
                    changed += r.value != settled[i].value || r.method != settled[i].method ||
                               r.feed != settled[i].feed;
                } else if (r.settled) {
                    settled[i] = r;
                }
            }
        }
        assert_int_equal(changed, 0);
    }
    free(set);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(agrees_with_the_model),
        cmocka_unit_test(settled_answers_never_change),
    };

    random_begin(20310304);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
