/* checklist: names found and suggested from a Darwin Core Taxon table. The taxa are invented. */
#include "core/checklist.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static uint32_t index_memory[4096];
static struct checklist list;

static const char table[] =
    "\xef\xbb\xbf"
    "taxonID\tdwc:scientificName\ttaxonRank\tscientificNameID\ttaxonomicStatus\tacceptedNameUsage\t"
    "acceptedNameUsageID\tscientificNameAuthorship\tremarks\r\n"
    "1\tBrisela costata\tspecies\turn:x:1\taccepted\t\t\tTarn, 1931\t\r\n"
    "2\tbrisela  Minor\tspecies\t\taccepted\t\t\t\t\r\n"
    "3\tBrisela costatta\tspecies\turn:x:3\tunaccepted\tBrisela costata\t1\t\t\r\n"
    "4\tOphiella\tgenus\turn:x:4\tunaccepted\tOphiura\t9\t\t\r\n"
    "5\tOphiella\tgenus\turn:x:5\taccepted\t\t\t\thomonym\r\n"
    "6\ttoo\tfew\r\n"
    "7\t\tspecies\turn:x:7\taccepted\t\t\t\t\r\n"
    "\r\n"
    "8\tÅsella polaris\tspecies\turn:x:8\taccepted\t\t\t\t";

static void load(const char *text)
{
    assert_int_equal(checklist_load(&list, text, strlen(text), index_memory, 4096), CHECKLIST_OK);
}

static void expect_text(struct checklist_text text, const char *wanted)
{
    assert_int_equal(text.length, strlen(wanted));
    if (text.length > 0)
        assert_memory_equal(text.at, wanted, text.length);
}

static void names_are_found_whatever_their_case(void **state)
{
    static const char *const said[] = {"Brisela costata", "brisela costata", " BRISELA \t COSTATA  "};
    struct checklist_row row;
    (void)state;
    load(table);
    assert_int_equal(list.count, 6);
    assert_int_equal(list.skipped, 3);
    assert_true(checklist_rows(table, sizeof table - 1) >= list.count + list.skipped);
    for (size_t i = 0; i < sizeof said / sizeof said[0]; i++) {
        assert_true(checklist_find(&list, said[i], &row));
        expect_text(row.name, "Brisela costata");
        expect_text(row.id, "urn:x:1");
        expect_text(row.rank, "species");
        expect_text(row.status, "accepted");
        expect_text(row.author, "Tarn, 1931");
        expect_text(row.accepted_name, "");
    }
    assert_true(checklist_find(&list, "Brisela minor", &row));
    expect_text(row.id, "2"); /* no scientificNameID: the taxonID */
    assert_true(checklist_find(&list, "Åsella polaris", &row));
    expect_text(row.id, "urn:x:8");
    assert_false(checklist_find(&list, "Brisela", &row));
    assert_false(checklist_find(&list, "Zzz", &row));
    assert_false(checklist_find(&list, "", &row));
    assert_false(checklist_find(&list, "\xff", &row)); /* behind the last */
    load(" taxonRank\t scientificName \n  genus \t  Ophiella \t\ngenus\t  Ophiella  \n");
    assert_int_equal(list.skipped, 1);
    assert_true(checklist_find(&list, "Ophiella", &row));
    expect_text(row.name, "Ophiella");
    expect_text(row.rank, "genus");
}

static void synonyms_name_what_is_accepted(void **state)
{
    struct checklist_row row;
    (void)state;
    load(table);
    assert_true(checklist_find(&list, "Brisela costatta", &row));
    expect_text(row.accepted_name, "Brisela costata");
    expect_text(row.accepted_id, "1");
    assert_true(checklist_find(&list, "Ophiella", &row)); /* the accepted one of two comes first */
    expect_text(row.id, "urn:x:5");
}

static void misspelt_names_are_suggested_nearest_first(void **state)
{
    struct checklist_row rows[8];
    (void)state;
    load(table);
    assert_int_equal(checklist_suggest(&list, "Brisela costta", rows, 8), 2);
    expect_text(rows[0].name, "Brisela costata");
    expect_text(rows[1].name, "Brisela costatta");
    assert_int_equal(checklist_suggest(&list, "brisela COSTATA", rows, 8), 2); /* itself, and what is near */
    assert_int_equal(checklist_suggest(&list, "Ohpiella", rows, 8),
                     1); /* neighbours exchanged; one name once */
    assert_int_equal(checklist_suggest(&list, "Ohpiella", rows, 0), 0);
    assert_int_equal(checklist_suggest(&list, "Brisela costta", rows, 1), 1);
    expect_text(rows[0].name, "Brisela costata");
    assert_int_equal(checklist_suggest(&list, "Brisela costatta", rows, 8), 2);
    expect_text(rows[0].name, "Brisela costatta"); /* nearer, though behind the other in the alphabet */
    assert_int_equal(checklist_suggest(&list, "Completely else", rows, 8), 0);
    assert_int_equal(checklist_suggest(&list, "", rows, 8), 0);
    char long_name[300];
    memset(long_name, 'a', sizeof long_name - 1);
    long_name[sizeof long_name - 1] = '\0';
    assert_int_equal(checklist_suggest(&list, long_name, rows, 8), 0);
}

static void suggestions_never_exceed_their_number(void **state)
{
    struct checklist_row rows[CHECKLIST_SUGGEST_MAX + 4];
    char text[4096] = "scientificName\n";
    (void)state;
    for (int i = 0; i < 26; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "Asteriela%c\n", 'z' - i);
    load(text);
    assert_int_equal(checklist_suggest(&list, "Asteriela", rows, CHECKLIST_SUGGEST_MAX + 4),
                     CHECKLIST_SUGGEST_MAX);
    expect_text(rows[0].name, "Asterielaa");
    expect_text(rows[1].name, "Asterielab");
}

static void what_is_no_checklist_is_said(void **state)
{
    char wide[600] = "scientificName";
    (void)state;
    assert_int_equal(checklist_load(&list, "", 0, index_memory, 4096), CHECKLIST_EMPTY);
    assert_int_equal(checklist_load(&list, "name\trank\nA\tB\n", 14, index_memory, 4096), CHECKLIST_NO_NAME);
    assert_int_equal(checklist_load(&list, table, sizeof table - 1, index_memory, 2), CHECKLIST_NO_ROOM);
    memset(wide + 14, '\t', 200);
    assert_int_equal(checklist_load(&list, wide, strlen(wide), index_memory, 4096), CHECKLIST_TOO_WIDE);
    assert_int_equal(checklist_load(&list, "scientificName", 14, index_memory, 4096), CHECKLIST_OK);
    assert_int_equal(list.count, 0);
    assert_int_equal(checklist_rows("scientificName", 14), 0);
    assert_int_equal(checklist_rows("", 0), 0);
    for (int result = CHECKLIST_OK; result <= CHECKLIST_NO_ROOM; result++)
        assert_true(strlen(checklist_result_text((enum checklist_result)result)) > 10);
    assert_string_equal(checklist_result_text((enum checklist_result)99), "");
}

/* The plain textbook table of optimal string alignment, without limits, to hold the quick one against. */
static unsigned slow_distance(const char *a, size_t n, const char *b, size_t m)
{
    unsigned d[32][32];
    for (size_t i = 0; i <= n; i++)
        for (size_t j = 0; j <= m; j++) {
            if (i == 0 || j == 0) {
                d[i][j] = (unsigned)(i + j);
                continue;
            }
            unsigned best = d[i - 1][j - 1] + (a[i - 1] != b[j - 1]);
            best = d[i - 1][j] + 1 < best ? d[i - 1][j] + 1 : best;
            best = d[i][j - 1] + 1 < best ? d[i][j - 1] + 1 : best;
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] && d[i - 2][j - 2] + 1 < best)
                best = d[i - 2][j - 2] + 1;
            d[i][j] = best;
        }
    return d[n][m];
}

static void distance_is_that_of_the_textbook(void **state)
{
    uint32_t random = 12345;
    (void)state;
    assert_int_equal(checklist_distance("kitten", 6, "sitting", 7, 9), 3);
    assert_int_equal(checklist_distance("ca", 2, "abc", 3, 9),
                     3); /* where alignment and the unrestricted distance (2) part */
    assert_int_equal(checklist_distance("", 0, "", 0, 0), 0);
    for (int round = 0; round < 20000; round++) {
        char word[2][12];
        size_t length[2];
        for (int w = 0; w < 2; w++) {
            length[w] = (random = random * 1664525 + 1013904223) >> 29;
            for (size_t i = 0; i < length[w]; i++)
                word[w][i] = (char)('a' + ((random = random * 1664525 + 1013904223) >> 30));
        }
        unsigned limit = (random >> 8) % 5, far = slow_distance(word[0], length[0], word[1], length[1]);
        assert_int_equal(checklist_distance(word[0], length[0], word[1], length[1], limit),
                         far <= limit ? far : limit + 1);
    }
}

static void many_rows_come_out_in_order(void **state)
{
    static char text[64 * 4096];
    size_t length = (size_t)sprintf(text, "taxonRank\tscientificName\n");
    struct checklist_row row;
    char name[32];
    (void)state;
    for (unsigned i = 0; i < 4000; i++)
        length += (size_t)sprintf(text + length, "species\tAster n%05u\n", i * 2654435761u % 100000);
    assert_int_equal(checklist_load(&list, text, length, index_memory, 4096), CHECKLIST_OK);
    assert_int_equal(list.count, 4000);
    for (unsigned i = 0; i < 4000; i++) {
        snprintf(name, sizeof name, "aster N%05u", i * 2654435761u % 100000);
        assert_true(checklist_find(&list, name, &row));
        assert_int_equal(row.name.length, strlen(name));
    }
    assert_false(checklist_find(&list, "Aster n1", &row));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(names_are_found_whatever_their_case),
        cmocka_unit_test(synonyms_name_what_is_accepted),
        cmocka_unit_test(misspelt_names_are_suggested_nearest_first),
        cmocka_unit_test(suggestions_never_exceed_their_number),
        cmocka_unit_test(what_is_no_checklist_is_said),
        cmocka_unit_test(distance_is_that_of_the_textbook),
        cmocka_unit_test(many_rows_come_out_in_order),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
