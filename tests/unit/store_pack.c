/* A dive as a database of its own: complete, readable by the same readers, and nothing of other dives. */
#include "store_fixture.h"

static void fill(struct fixture *f)
{
    struct engine_sample sample = {.channel = "vehicle.depth_m", .feed = "nav"};
    fixture_open(f);
    for (uint32_t dive = 6; dive <= 8; dive++) {
        char id[8];
        int64_t t = (int64_t)dive * 1000 * NS_PER_S;
        snprintf(id, sizeof id, "D%03u", dive);
        submit(f, make_dive(id, "begun", t));
        for (uint32_t i = 1; i <= 5; i++)
            submit(f, make_marker(id, i, dive * 10 + i, t + i * NS_PER_S));
        struct entry *entry = make_entry(ENTRY_SIGHTING, id, t + 6 * NS_PER_S);
        entry->of.sighting =
            (struct sighting_entry){.number = 1, .state = "closed", .start = {T0 + t}, .label = "Fish"};
        submit(f, entry);
        for (int i = 0; i < 100; i++) {
            sample.at.ns = 1000 + t + i * NS_PER_S;
            sample.utc.ns = T0 + t + i * NS_PER_S;
            sample.value = 1000.0 * dive + i;
            store_sample(f->store, &sample);
        }
        flush(f); /* each dive's telemetry in blocks of its own */
        submit(f, make_dive(id, "ended", t + 100 * NS_PER_S));
        flush(f);
        fixture_close(f);
        fixture_open(f);
    }
    struct entry *remark =
        make_entry(ENTRY_REMARK, "D008", 9000 * NS_PER_S); /* made later, while another dive was open */
    SET_TEXT(remark->of.remark.target, "D007-M0003");
    SET_TEXT(remark->of.remark.text, "see the still");
    submit(f, remark);
    submit(f, make_notice(ENTRY_PAD, "P-03", "linked"));
    flush(f);
}

static char *pack_path(struct fixture *f)
{
    static char path[120];
    snprintf(path, sizeof path, "%s/D007.db", f->folder);
    return path;
}

static enum store_result pack(struct fixture *f, const char *dive, const char *path)
{
    struct store_reader *reader = open_reader(f);
    enum store_result result = store_pack(reader, dive, path, &f->error);
    store_reader_close(reader);
    return result;
}

static void a_pack_holds_the_dive_and_nothing_else(void **state)
{
    struct fixture *f = *state;
    char *path = pack_path(f);
    fill(f);
    if (pack(f, "D007", path) != STORE_OK)
        fail_msg("store_pack: %s", f->error.text);
    assert_string_equal(ask(path, "SELECT ref FROM marker_now"),
                        "D007-M0001|D007-M0002|D007-M0003|D007-M0004|D007-M0005");
    assert_string_equal(ask(path, "SELECT id FROM dive"), "D007");
    assert_string_equal(ask(path, "SELECT ref FROM sighting_now"), "D007-S001");
    assert_string_equal(ask(path, "SELECT text FROM remark"), "see the still");
    assert_string_equal(ask(path, "SELECT seq FROM journal"),
                        "9|10|11|12|13|14|15|16|25"); /* the numbers of the source */
    assert_string_equal(ask(path, "SELECT samples || ' ' || low || ' ' || high FROM telemetry"),
                        "100 7000.0 7099.0");
    assert_string_equal(ask(path, "PRAGMA integrity_check"), "ok");
    assert_string_equal(ask(path, "PRAGMA foreign_key_check"), "");
    assert_string_equal(ask(path, "PRAGMA journal_mode"), "delete");
    assert_string_equal(ask(path, "PRAGMA user_version"), "1");
}

static bool count_marker(void *ctx, const struct query_marker *row)
{
    (void)row;
    ++*(int *)ctx;
    return true;
}

static bool count_point(void *ctx, const struct query_point *row)
{
    (void)row;
    ++*(int *)ctx;
    return true;
}

static void a_pack_is_read_like_any_record(void **state)
{
    struct fixture *f = *state;
    int markers = 0, points = 0;
    fill(f);
    assert_int_equal(pack(f, "D007", pack_path(f)), STORE_OK);
    struct store_reader *reader;
    assert_int_equal(store_reader_open(&reader, pack_path(f), &f->error), STORE_OK);
    assert_int_equal(query_markers(reader, &(struct query_want){.dive = "D007"}, count_marker, &markers), 5);
    struct query_telemetry want = {.channel = "vehicle.depth_m", .from = {T0}, .to = {INT64_MAX}};
    assert_int_equal(query_telemetry(reader, &want, count_point, &points), 100);
    store_reader_close(reader);
}

static void a_pack_never_overwrites_and_a_failed_one_leaves_nothing(void **state)
{
    struct fixture *f = *state;
    char *path = pack_path(f), part[140];
    snprintf(part, sizeof part, "%s.part", path);
    fill(f);
    assert_int_equal(pack(f, "D009", path), STORE_NO_SUCH);
    assert_non_null(strstr(f->error.text, "no dive D009"));
    assert_int_equal(access(path, F_OK), -1);
    assert_int_equal(pack(f, "D007", path), STORE_OK);
    assert_int_equal(access(part, F_OK), -1);
    assert_int_equal(pack(f, "D008", path), STORE_EXISTS);
    assert_non_null(strstr(f->error.text, path));
    assert_string_equal(ask(path, "SELECT id FROM dive"), "D007");
    char nowhere[140];
    snprintf(nowhere, sizeof nowhere, "%s/none/D008.db", f->folder);
    assert_int_equal(pack(f, "D008", nowhere), STORE_CANNOT_OPEN);
    assert_non_null(strstr(f->error.text, "none/D008.db"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(a_pack_holds_the_dive_and_nothing_else),
        STORE_TEST(a_pack_is_read_like_any_record),
        STORE_TEST(a_pack_never_overwrites_and_a_failed_one_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
