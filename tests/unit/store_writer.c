/* What the writer promises: order, acknowledgement after commit, groups, each press once, everything there after a restart. */
#include "store_fixture.h"

static void an_entry_is_readable_when_it_is_acknowledged(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    fixture_hold(f, true);
    submit(f, make_marker("D007", 1, 1, 10));
    fixture_wait_holding(f); /* the writer stands inside its first acknowledgement */
    assert_string_equal(ask(f->path, "SELECT seq FROM journal"), "1");
    assert_string_equal(ask(f->path, "SELECT ref FROM marker_now"), "D007-M0001");
    fixture_hold(f, false);
    fixture_close(f);
}

static void what_arrives_during_a_commit_shares_the_next_one(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    fixture_hold(f, true);
    submit(f, make_marker("D007", 1, 1, 10));
    fixture_wait_holding(f);
    for (uint32_t i = 2; i <= 101; i++)
        submit(f, make_marker("D007", i, i, 10 * i));
    struct store_counts counts;
    store_counts(f->store, &counts);
    assert_int_equal(counts.waiting_entries,
                     101); /* the first is on disk but not counted off: the writer stands in its callback */
    fixture_hold(f, false);
    flush(f);
    store_counts(f->store, &counts);
    assert_int_equal(counts.groups, 2);
    assert_int_equal(counts.entries, 101);
    assert_int_equal(counts.waiting_entries, 0);
    assert_int_equal(f->acknowledged, 2);
    assert_int_equal(f->committed, 101);
    assert_false(f->disordered);
}

static void what_is_held_shares_one_commit(void **state)
{
    struct fixture *f = *state;
    const struct engine_observation clap = {.clock = "clap", .a = 1, .lo = 2, .hi = 3};
    struct store_counts counts = {0};
    fixture_open(f);
    store_hold(f->store);
    submit(f, make_marker("D007", 1, 1, 10));
    store_observe(f->store, &clap); /* written at once: the writer is awake and passes the entry over */
    while (counts.observations == 0)
        store_counts(f->store, &counts);
    assert_int_equal(counts.entries, 0);
    for (uint32_t i = 2; i <= 10; i++)
        submit(f, make_marker("D007", i, i, 10 * i));
    store_release(f->store);
    fixture_wait_committed(f, 10);
    assert_int_equal(f->acknowledged, 1);
    store_hold(f->store);
    submit(f, make_marker("D007", 11, 11, 110));
    flush(f); /* who flushes does not wait for a release */
    assert_int_equal(f->committed, 11);
    store_release(f->store);
}

static void a_burst_is_acknowledged_in_parts_and_in_order(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    fixture_hold(f, true);
    submit(f, make_marker("D007", 1, 1, 0));
    fixture_wait_holding(f);
    for (uint32_t i = 2; i <= 3000; i++)
        submit(f, make_marker("D007", i, i, i));
    fixture_hold(f, false);
    flush(f);
    assert_true(f->acknowledged > 2);
    assert_false(f->disordered);
    assert_int_equal(f->committed, 3000);
    assert_string_equal(ask(f->path, "SELECT count(*) || ' ' || min(seq) || ' ' || max(seq) FROM journal"),
                        "3000 1 3000");
    assert_string_equal(ask(f->path, "SELECT count(*) FROM marker WHERE number = seq"), "3000");
}

static void the_journal_holds_the_bytes_that_were_handed_in(void **state)
{
    struct fixture *f = *state;
    static const char event[] = "{\"seq\":1,\"note\":\"\xc3\xa4\\u0000 'quoted' \\\"twice\\\"\"}";
    fixture_open(f);
    struct entry *entry = make_marker("D007", 1, 1, 10);
    entry->seq = 1;
    assert_int_equal(store_submit(f->store, entry, event, sizeof event - 1), STORE_OK);
    flush(f);
    assert_string_equal(ask(f->path, "SELECT event FROM journal"), event);
}

static void an_entry_out_of_order_is_not_taken(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 10));
    f->seq = 2; /* skips 2 */
    assert_int_equal(try_submit(f, make_marker("D007", 3, 3, 30)), STORE_ORDER);
    f->seq = 0; /* repeats 1 */
    assert_int_equal(try_submit(f, make_marker("D007", 1, 9, 30)), STORE_ORDER);
    f->seq = 1;
    submit(f, make_marker("D007", 2, 2, 20));
    flush(f);
    assert_string_equal(ask(f->path, "SELECT seq FROM journal"), "1|2");
}

static void a_press_delivered_again_is_in_the_journal_but_not_among_the_markers(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    fixture_hold(f, true);
    submit(f, make_marker("D007", 1, 1, 10));
    fixture_wait_holding(f);
    submit(f, make_marker("D007", 2, 2, 20)); /* these three go in one group */
    submit(f, make_marker("D007", 3, 1, 10));
    submit(f, make_marker("D007", 4, 4, 40));
    fixture_hold(f, false);
    flush(f);
    assert_int_equal(f->committed, 4);
    assert_string_equal(ask(f->path, "SELECT seq FROM journal"), "1|2|3|4");
    assert_string_equal(ask(f->path, "SELECT number || ':' || press_seq FROM marker ORDER BY number"),
                        "1:1|2:2|4:4");
    assert_string_equal(ask(f->path, "SELECT seq FROM refused"), "3");
    assert_non_null(
        strstr(ask(f->path, "SELECT why FROM refused"), "press 1 of pad P-03, boot 4711, is stored already"));
    struct store_counts counts;
    store_counts(f->store, &counts);
    assert_int_equal(counts.refused, 1);
    fixture_close(f); /* the notice follows the acknowledgement */
    assert_int_equal(f->notices[STORE_NOTICE_REFUSED], 1);
    assert_non_null(strstr(f->notice, "D007-M0003"));
    assert_int_equal(f->troubles, 0);
}

static void the_same_press_number_of_another_boot_or_pad_is_another_press(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 10));
    struct entry *other_boot = make_marker("D007", 2, 1, 20);
    other_boot->of.marker.pad_boot = 4712;
    submit(f, other_boot);
    struct entry *other_pad = make_marker("D007", 3, 1, 30);
    SET_TEXT(other_pad->of.marker.pad, "P-04");
    submit(f, other_pad);
    submit(f, make_marker("D007", 4, 0, 40)); /* soft keys have no press number, and any number of them */
    submit(f, make_marker("D007", 5, 0, 50));
    flush(f);
    assert_string_equal(ask(f->path, "SELECT number FROM marker ORDER BY number"), "1|2|3|4|5");
    assert_string_equal(ask(f->path, "SELECT count(*) FROM refused"), "0");
}

static void a_marker_number_used_twice_is_refused_and_told(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 10));
    submit(f, make_marker("D007", 1, 2, 20));
    submit(f, make_marker("D008", 1, 3, 30)); /* numbers are counted in each dive */
    submit(f, make_marker("", 1, 4, 40));     /* and without one */
    submit(f, make_marker("", 1, 5, 50));
    flush(f);
    assert_string_equal(ask(f->path, "SELECT seq FROM refused"), "2|5");
    assert_string_equal(ask(f->path, "SELECT ref FROM marker_now ORDER BY seq"),
                        "D007-M0001|D008-M0001|M0001");
}

static void a_restart_goes_on_where_it_stopped(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    assert_int_equal(store_last_seq(f->store), 0);
    assert_int_equal(store_run(f->store), 1);
    submit(f, make_marker("D007", 1, 1, 10));
    submit(f, make_marker("D007", 2, 2, 20));
    fixture_close(f); /* without a flush: closing writes what waits */
    fixture_open(f);
    assert_int_equal(store_last_seq(f->store), 2);
    assert_int_equal(store_run(f->store), 2);
    submit(f, make_marker("D007", 3, 3, 30));
    fixture_close(f);
    assert_string_equal(ask(f->path, "SELECT seq || '@' || run FROM journal"), "1@1|2@1|3@2");
    assert_string_equal(ask(f->path, "SELECT host_boot_id FROM run"), BOOT_ID "|" BOOT_ID);
    assert_string_equal(ask(f->path, "SELECT started_utc_ns FROM run WHERE id = 1"), "1930000000000000000");
}

static void a_run_that_writes_nothing_leaves_nothing(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    fixture_close(f);
    assert_string_equal(ask(f->path, "SELECT count(*) FROM run"), "0");
    char lock[160];
    snprintf(lock, sizeof lock, "%s-lock", f->path);
    assert_int_equal(access(lock, F_OK), -1);
}

static void present_state_is_overwritten_and_the_journal_has_every_state(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    for (uint32_t individuals = 1; individuals <= 3; individuals++) {
        struct entry *entry = make_entry(ENTRY_SIGHTING, "D007", individuals);
        entry->of.sighting = (struct sighting_entry){
            .number = 1, .individuals = individuals, .start = {T0}, .marker_count = individuals};
        SET_TEXT(entry->of.sighting.state, individuals == 3 ? "closed" : "open");
        submit(f, entry);
    }
    flush(f);
    assert_string_equal(ask(f->path, "SELECT seq || ' ' || individuals || ' ' || state FROM sighting"),
                        "3 3 closed");
    assert_string_equal(
        ask(f->path, "SELECT json_extract(event, '$.individuals') FROM journal WHERE ref = 'D007-S001'"),
        "1|2|3");
}

static void a_refused_sample_has_no_row_and_its_marker_is_referred_to(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    struct entry *entry = make_entry(ENTRY_SAMPLE, "D007", 1);
    SET_TEXT(entry->of.sample.state, "refused");
    entry->of.sample.marker = 7;
    submit(f, entry);
    flush(f);
    assert_string_equal(ask(f->path, "SELECT count(*) FROM sample"), "0");
    assert_string_equal(ask(f->path, "SELECT count(*) FROM refused"), "0");
    assert_string_equal(ask(f->path, "SELECT ref FROM journal"), "D007-M0007");
}

static void a_dive_is_open_until_it_is_ended(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_dive("D007", "begun", 10));
    flush(f);
    assert_string_equal(
        ask(f->path,
            "SELECT id || ' ' || vehicle || ' ' || begun_seq || ' ' || ifnull(ended_seq, 'open') FROM dive"),
        "D007 Marram 1 open");
    submit(f, make_dive("D007", "ended", 20));
    flush(f);
    assert_string_equal(ask(f->path, "SELECT (begun_utc_ns - 1930000000000000000) || ' ' || (ended_utc_ns - "
                                     "1930000000000000000) FROM dive"),
                        "10 20");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(an_entry_is_readable_when_it_is_acknowledged),
        STORE_TEST(what_arrives_during_a_commit_shares_the_next_one),
        STORE_TEST(what_is_held_shares_one_commit),
        STORE_TEST(a_burst_is_acknowledged_in_parts_and_in_order),
        STORE_TEST(the_journal_holds_the_bytes_that_were_handed_in),
        STORE_TEST(an_entry_out_of_order_is_not_taken),
        STORE_TEST(a_press_delivered_again_is_in_the_journal_but_not_among_the_markers),
        STORE_TEST(the_same_press_number_of_another_boot_or_pad_is_another_press),
        STORE_TEST(a_marker_number_used_twice_is_refused_and_told),
        STORE_TEST(a_restart_goes_on_where_it_stopped),
        STORE_TEST(a_run_that_writes_nothing_leaves_nothing),
        STORE_TEST(present_state_is_overwritten_and_the_journal_has_every_state),
        STORE_TEST(a_refused_sample_has_no_row_and_its_marker_is_referred_to),
        STORE_TEST(a_dive_is_open_until_it_is_ended),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
