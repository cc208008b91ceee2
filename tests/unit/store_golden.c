/*
 * Databases of every schema version stay readable, and a daemon of today goes on in them. tests/data/golden/version-N.db was written by the
 * programs of version N (make.sh there) and never changes; what is in them is known.
 */
#include "store/query.h"
#include "store/store.h"

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[] = "/tmp/bellrope-golden.XXXXXX";
static char copy[64];

static int make_copy(void **state)
{
    static char bytes[1 << 20];
    (void)state;
    FILE *in = fopen(TEST_DATA_DIR "/golden/version-1.db", "rb");
    assert_non_null(in);
    size_t len = fread(bytes, 1, sizeof bytes, in);
    fclose(in);
    assert_true(len > 4096 && len < sizeof bytes);
    strcpy(folder + strlen(folder) - 6, "XXXXXX");
    assert_non_null(mkdtemp(folder));
    snprintf(copy, sizeof copy, "%s/a.db", folder);
    FILE *out = fopen(copy, "wb");
    assert_non_null(out);
    assert_int_equal(fwrite(bytes, 1, len, out), len);
    fclose(out);
    return 0;
}

static int remove_copy(void **state)
{
    static const char *const ends[] = {"", "-wal", "-shm", "-lock"};
    (void)state;
    for (size_t i = 0; i < 4; i++) {
        char path[80];
        snprintf(path, sizeof path, "%s%s", copy, ends[i]);
        unlink(path);
    }
    return rmdir(folder);
}

static bool hear_marker(void *ctx, const struct query_marker *row)
{
    char *all = ctx;
    snprintf(all + strlen(all), 1024 - strlen(all), "%s%s %s%s", all[0] == '\0' ? "" : "; ", row->ref,
             row->marker.label, row->struck ? " struck" : "");
    return true;
}

static bool hear_sighting(void *ctx, const struct query_sighting *row)
{
    char *all = ctx;
    snprintf(all + strlen(all), 1024 - strlen(all), "%s %s %s;", row->ref,
             row->identified ? row->identification.name : "-",
             row->identified ? row->identification.qualifier : "-");
    return true;
}

static bool hear_event(void *ctx, const struct query_event *row)
{
    int64_t *last = ctx;
    assert_int_equal(row->seq, *last + 1);
    assert_int_equal(row->event[0], '{');
    assert_int_equal(row->event[row->len - 1], '}');
    *last = row->seq;
    return true;
}

static void check_contents(void)
{
    struct store_reader *reader = NULL;
    struct store_error error;
    char markers[1024] = "", sightings[1024] = "";
    struct query_want dive = {.dive = "G001"}, none = {.dive = ""};
    assert_int_equal(store_reader_open(&reader, copy, &error), STORE_OK);
    assert_int_equal(query_markers(reader, &dive, hear_marker, markers), 11);
    assert_string_equal(
        markers, "G001-M0001 R. Alder; G001-M0002 On bottom; G001-M0003 Transect; G001-M0004 Fish; "
                 "G001-M0005 Good view; G001-M0006 Crustacean; G001-M0007 Bio box, port; G001-M0008 Done; "
                 "G001-M0009 Coral struck; G001-M0010 Done; G001-M0011 Transect");
    markers[0] = '\0';
    assert_int_equal(query_markers(reader, &none, hear_marker, markers), 1);
    assert_string_equal(markers, "M0001 Fish");
    assert_int_equal(query_sightings(reader, &dive, hear_sighting, sightings), 3);
    assert_string_equal(sightings, "G001-S001 Brisinga cf. costata;G001-S002 - -;G001-S003 - -;");
    int64_t last = 0;
    struct query_journal all = {.since = 0};
    assert_true(query_journal(reader, &all, hear_event, &last) > 40);
    assert_int_equal(query_last_seq(reader), last);
    store_reader_close(reader);
}

static void version_1_is_read(void **state)
{
    (void)state;
    check_contents();
}

static void on_committed(void *ctx, int64_t seq)
{
    (void)ctx;
    (void)seq;
}

static void on_state(void *ctx, enum store_state state, const char *why)
{
    (void)ctx;
    (void)why;
    assert_int_equal(state, STORE_STATE_OK);
}

static void on_restore(void *ctx, const char *bytes, size_t len)
{
    size_t *records = ctx;
    assert_true(len > 0 && bytes[0] == 'o');
    ++*records;
}

/* Opened for writing it is brought up to today's version; everything in it reads as before. */
static void version_1_is_written_on(void **state)
{
    (void)state;
    struct store *store = NULL;
    struct store_error error = {.text = ""};
    size_t records = 0;
    struct store_options options = {
        .path = copy, .host_boot_id = "a-boot", .on_committed = on_committed, .on_trouble = on_state};
    assert_int_equal(store_open(&store, &options, &error), STORE_OK);
    assert_int_equal(store_restore(store, on_restore, &records, &error), STORE_OK);
    assert_true(records > 2);
    assert_true(store_last_seq(store) > 40);
    assert_int_equal(store_close(store), STORE_OK);
    check_contents();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(version_1_is_read, make_copy, remove_copy),
        cmocka_unit_test_setup_teardown(version_1_is_written_on, make_copy, remove_copy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
