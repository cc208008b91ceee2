/* Tapes played into an engine: runs, held entries, and what a killed run leaves out. */
#include "io/player.h"

#include "core/fields.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

struct seen {
    int commits;
    int64_t seq[64];
    char dive[64][DIVE_ID_SIZE];
    int64_t published;
    int begun, ended, problems;
    int wakes, logs;
    char vehicle[LABEL_SIZE];
    char problem[512];
};

static struct seen seen;
static struct player *player;
static int64_t now_ns;

static void on_commit(void *ctx, const struct entry *entry)
{
    struct seen *s = ctx;
    assert_true(s->commits < 64);
    s->seq[s->commits] = entry->seq;
    snprintf(s->dive[s->commits++], DIVE_ID_SIZE, "%s", entry->dive);
}

static void on_publish(void *ctx, int64_t seq_to)
{
    ((struct seen *)ctx)->published = seq_to;
}

static void on_reply(void *ctx, const struct engine_reply *reply)
{
    (void)ctx;
    assert_int_equal(reply->refusal, REFUSED_NOT);
}

static void on_wake(void *ctx, mono_ns at)
{
    (void)at;
    ((struct seen *)ctx)->wakes++;
}

static void on_log(void *ctx, enum engine_log_level level, const char *text)
{
    (void)level;
    (void)text;
    ((struct seen *)ctx)->logs++;
}

static void on_run(void *ctx, const struct config *config)
{
    struct seen *s = ctx;
    if (config == NULL) {
        s->ended++;
    } else {
        s->begun++;
        snprintf(s->vehicle, sizeof s->vehicle, "%s", config->engine.vehicle);
    }
}

static void on_problem(void *ctx, const struct ini_problem *problem)
{
    struct seen *s = ctx;
    s->problems++;
    ini_problem_text(problem, s->problem, sizeof s->problem);
}

static const struct engine_sink effects = {.ctx = &seen,
                                           .commit = on_commit,
                                           .publish = on_publish,
                                           .reply = on_reply,
                                           .wake = on_wake,
                                           .log = on_log};

static void begin(enum player_mode mode)
{
    const struct player_sink sink = {&effects, on_run, on_problem, &seen};
    memset(&seen, 0, sizeof seen);
    now_ns = NS_PER_S;
    player = player_new(&sink, mode);
    assert_non_null(player);
}

static int tear_down(void **state)
{
    (void)state;
    player_free(player);
    player = NULL;
    return 0;
}

static int give(enum tape_kind kind, int source, const char *text)
{
    now_ns += NS_PER_MS;
    struct tape_record record = {
        .kind = kind, .source = source, .at = {now_ns}, .bytes = (const uint8_t *)text, .len = strlen(text)};
    return player_deliver(player, &record);
}

static void give_well(enum tape_kind kind, const char *text)
{
    assert_int_equal(give(kind, 0, text), 0);
}

static void begin_run(const char *restored)
{
    give_well(TAPE_BEGIN, "op=begin");
    give_well(TAPE_CONFIG, "[dive]\nvehicle = Heron\n");
    give_well(TAPE_RESTORE, restored);
    give_well(TAPE_RESTORE, "op=restore.end");
}

static void dive_begin(const char *id)
{
    char text[96];
    snprintf(text, sizeof text, "op=dive.begin\x1ftoken=0\x1fid=%s", id);
    give_well(TAPE_COMMAND, text);
}

static void test_live_hands_over_at_once(void **state)
{
    (void)state;
    begin(PLAYER_LIVE);
    assert_null(player_engine(player));
    begin_run("op=restore.seq\x1flast=0");
    assert_int_equal(seen.begun, 1);
    assert_string_equal(seen.vehicle, "Heron");
    dive_begin("D1");
    assert_int_equal(seen.commits, 1);
    assert_int_equal(seen.seq[0], 1);
    assert_string_equal(seen.dive[0], "D1");
    assert_string_equal(engine_dive(player_engine(player)), "D1");
    assert_int_equal(seen.published, 0);
    give_well(TAPE_COMMITTED, "op=committed\x1fseq=1");
    assert_int_equal(seen.published, 1);
}

static void test_a_replay_holds_until_committed(void **state)
{
    (void)state;
    begin(PLAYER_REPLAY);
    begin_run("op=restore.seq\x1flast=0");
    dive_begin("D1");
    assert_int_equal(seen.commits, 0);
    give_well(TAPE_COMMITTED, "op=committed\x1fseq=1");
    assert_int_equal(seen.commits, 1);
    assert_int_equal(seen.published, 0); /* nobody listens to a replay */
    give_well(TAPE_COMMAND, "op=dive.end\x1ftoken=0");
    assert_int_equal(seen.commits, 1);
    player_end(player); /* the tape ends here: nothing says that it was lost */
    assert_int_equal(seen.commits, 2);
    assert_int_equal(player_dropped(player), 0);
}

/* Killed with one entry on disk whose commit was not heard, and one that never got there. */
static void test_a_killed_run(void **state)
{
    (void)state;
    begin(PLAYER_REPLAY);
    begin_run("op=restore.seq\x1flast=0");
    dive_begin("D1");
    give_well(TAPE_COMMAND, "op=dive.end\x1ftoken=0");
    dive_begin("LOST");
    begin_run("op=restore.seq\x1flast=2");
    assert_int_equal(seen.ended, 1);
    assert_int_equal(seen.commits, 2);
    assert_int_equal(player_dropped(player), 1);
    dive_begin("D2"); /* its number is used again */
    give_well(TAPE_COMMITTED, "op=committed\x1fseq=3");
    give_well(TAPE_END, "op=end");
    player_end(player);
    assert_int_equal(seen.commits, 3);
    for (int i = 0; i < 3; i++)
        assert_int_equal(seen.seq[i], i + 1);
    assert_string_equal(seen.dive[2], "D2");
}

static void test_what_makes_no_sense(void **state)
{
    (void)state;
    begin(PLAYER_REPLAY);
    assert_int_equal(give(TAPE_FEED, 0, "$GP"), -1);
    assert_int_equal(give(TAPE_PLAN, 0, "[plan]\n"), -1);
    give_well(TAPE_BEGIN, "op=begin");
    assert_int_equal(give(TAPE_CONFIG, 0, "[dive]\nname = x\n"), -1);
    assert_int_equal(seen.problems, 1);
    assert_memory_equal(seen.problem, "configuration:2: [dive] name: no such key", 41);
    assert_int_equal(give(TAPE_COMMAND, 0, "op=dive.end"), -1);
    assert_int_equal(seen.begun, 0);
    begin_run("op=restore.seq\x1flast=0"); /* a later run is played */
    dive_begin("D1");
    give_well(TAPE_GAP, "op=gap\x1frecords=5");
    assert_int_equal(give((enum tape_kind)200, 0, ""), -1);
}

#define CONFIG_WITH_PAD "[pad science]\nport = x\nplan = y\n"
#define PLAN "[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = done\nlabel = Done\n"

static void test_plans_before_and_during_a_run(void **state)
{
    (void)state;
    begin(PLAYER_LIVE);
    give_well(TAPE_BEGIN, "op=begin");
    give_well(TAPE_CONFIG, CONFIG_WITH_PAD);
    give_well(TAPE_PLAN, PLAN);
    assert_int_equal(give(TAPE_PLAN, 1, PLAN), -1); /* no such pad */
    assert_int_equal(give(TAPE_PLAN, 0, "[key A1]\nkind = nonsense\n"), -1);
    assert_true(seen.problems > 0);
    give_well(TAPE_RESTORE, "op=restore.seq\x1flast=0");
    give_well(TAPE_RESTORE, "op=restore.end");
    dive_begin("D1");
    give_well(TAPE_COMMAND, "op=press\x1ftoken=0\x1fkey=Fish\x1fseat=science"); /* known by its label */
    int before = seen.commits;
    give_well(TAPE_PLAN, "[key A1]\nkind = subject\nlabel = Crab\n[key A2]\nkind = done\nlabel = Done\n");
    give_well(TAPE_COMMAND, "op=press\x1ftoken=0\x1fkey=Crab\x1fseat=science");
    assert_true(seen.commits > before);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_teardown(test_live_hands_over_at_once, tear_down),
        cmocka_unit_test_teardown(test_a_replay_holds_until_committed, tear_down),
        cmocka_unit_test_teardown(test_a_killed_run, tear_down),
        cmocka_unit_test_teardown(test_what_makes_no_sense, tear_down),
        cmocka_unit_test_teardown(test_plans_before_and_during_a_run, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
