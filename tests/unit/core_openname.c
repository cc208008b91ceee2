/* openname: a name as it was typed, taken apart. The rows marked OBIS are those of the OBIS manual's page on identification qualifiers. */
#include "core/openname.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

struct row {
    const char *verbatim, *name, *qualifier, *author, *strict;
    enum openname_doubt doubt;
};

static const struct row rows[] = {
    /* OBIS */
    {"Gadus cf. morhua", "Gadus", "cf. morhua", "", "Gadus", OPENNAME_CONFER},
    {"Aristeidae stet.", "Aristeidae", "stet.", "", "Aristeidae", OPENNAME_STET},
    {"Nematocarcinus sp.indet.", "Nematocarcinus", "sp.indet.", "", "Nematocarcinus", OPENNAME_INDET},
    {"Brisinga gen.inc.", "Brisinga", "gen.inc.", "", "Brisinga", OPENNAME_INCERTA},
    {"Brisinga costata sp.inc.", "Brisinga costata", "sp.inc.", "", "Brisinga", OPENNAME_INCERTA},
    {"Paroriza sp.[unique123]aff. pallens", "Paroriza", "sp.[unique123]aff.pallens", "", "Paroriza",
     OPENNAME_AFFINE},
    /* other spellings of the same signs */
    {"  Gadus   cf  morhua ", "Gadus", "cf. morhua", "", "Gadus", OPENNAME_CONFER},
    {"Nematocarcinus sp. indet.", "Nematocarcinus", "sp.indet.", "", "Nematocarcinus", OPENNAME_INDET},
    {"Brisinga costata sp. inc.", "Brisinga costata", "sp.inc.", "", "Brisinga", OPENNAME_INCERTA},
    {"Paroriza sp. [unique123] aff. pallens", "Paroriza", "sp.[unique123]aff.pallens", "", "Paroriza",
     OPENNAME_AFFINE},
    {"Paroriza n. sp.", "Paroriza", "sp.nov.", "", "Paroriza", OPENNAME_NEW},
    {"Paroriza sp. nov.", "Paroriza", "sp.nov.", "", "Paroriza", OPENNAME_NEW},
    {"Paroriza gen. nov. sp. nov.", "Paroriza", "gen.nov.sp.nov.", "", "Paroriza", OPENNAME_NEW},
    {"Gadus ?morhua", "Gadus morhua", "?", "", "Gadus", OPENNAME_INCERTA},
    {"Gadus morhua?", "Gadus morhua", "?", "", "Gadus", OPENNAME_INCERTA},
    {"?Gadus", "Gadus", "?", "", "Gadus", OPENNAME_INCERTA},
    {"Gadus nr. morhua", "Gadus", "nr. morhua", "", "Gadus", OPENNAME_AFFINE},
    /* ranks, numbers, temporary names */
    {"Brisinga sp", "Brisinga", "sp.", "", "Brisinga", OPENNAME_INDET},
    {"Brisinga spp.", "Brisinga", "spp.", "", "Brisinga", OPENNAME_INDET},
    {"Brisinga sp. A", "Brisinga", "sp. A", "", "Brisinga", OPENNAME_INDET},
    {"Brisinga sp.1", "Brisinga", "sp. 1", "", "Brisinga", OPENNAME_INDET},
    {"Brisinga sp. [blue one]", "Brisinga", "sp.[blue one]", "", "Brisinga", OPENNAME_INDET},
    {"Brisinga sp. stet.", "Brisinga", "sp.stet.", "", "Brisinga", OPENNAME_STET},
    {"Actiniaria fam. indet.", "Actiniaria", "fam.indet.", "", "Actiniaria", OPENNAME_INDET},
    {"Holothuroidea indet.", "Holothuroidea", "indet.", "", "Holothuroidea", OPENNAME_INDET},
    /* clean names and authorship */
    {"Gadus morhua", "Gadus morhua", "", "", "Gadus morhua", OPENNAME_CERTAIN},
    {"gadus morhua", "Gadus morhua", "", "", "Gadus morhua", OPENNAME_CERTAIN},
    {"Gadus morhua Linnaeus, 1758", "Gadus morhua", "", "Linnaeus, 1758", "Gadus morhua", OPENNAME_CERTAIN},
    {"Sepia officinalis (de Blainville, 1827)", "Sepia officinalis", "", "(de Blainville, 1827)",
     "Sepia officinalis", OPENNAME_CERTAIN},
    {"Sepia orbignyana de Blainville", "Sepia orbignyana", "", "de Blainville", "Sepia orbignyana",
     OPENNAME_CERTAIN},
    {"Sepia (Rhombosepion) elegans d'Orbigny", "Sepia (Rhombosepion) elegans", "", "d'Orbigny",
     "Sepia (Rhombosepion) elegans", OPENNAME_CERTAIN},
    {"Brisinga costata Verrill, 1884 sp.inc.", "Brisinga costata", "sp.inc.", "Verrill, 1884", "Brisinga",
     OPENNAME_INCERTA},
    {"orange sponge", "Orange sponge", "", "", "Orange sponge", OPENNAME_CERTAIN},
};

static void names_come_apart(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct openname out;
        const char *why;
        char strict[OPENNAME_NAME_SIZE];
        assert_true(openname_parse(rows[i].verbatim, &out, &why));
        assert_string_equal(out.name, rows[i].name);
        assert_string_equal(out.qualifier, rows[i].qualifier);
        assert_string_equal(out.author, rows[i].author);
        assert_int_equal(out.doubt, rows[i].doubt);
        openname_strict_name(&out, strict);
        assert_string_equal(strict, rows[i].strict);
    }
}

static void one_spelling_comes_back_as_it_is(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct openname first, again;
        const char *why;
        assert_true(openname_parse(rows[i].verbatim, &first, &why));
        assert_true(openname_qualify(first.name, first.qualifier, &again, &why));
        assert_string_equal(again.name, first.name);
        assert_string_equal(again.qualifier, first.qualifier);
        assert_int_equal(again.doubt, first.doubt);
    }
}

static void what_is_no_name_is_refused(void **state)
{
    static const char *const bad[] = {"",    "   ",     "?",       "cf. Gadus morhua",
                                      "sp.", "12 fish", "(Gadus)", "Gadus\nmorhua"};
    char long_name[400];
    struct openname out;
    const char *why;
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_false(openname_parse(bad[i], &out, &why));
        assert_true(strlen(why) > 10);
    }
    memset(long_name, 'a', sizeof long_name - 1);
    long_name[sizeof long_name - 1] = '\0';
    assert_false(openname_parse(long_name, &out, &why));
    long_name[150] = '\0';
    assert_false(openname_parse(long_name, &out, &why)); /* one word over the limit */
    for (size_t i = 0; i < 190; i++)
        long_name[i] = i % 2 ? ' ' : 'a';
    long_name[190] = '\0';
    assert_false(openname_parse(long_name, &out, &why)); /* too many words */
    memcpy(long_name, "Gadus sp. ", 10);
    memset(long_name + 10, 'b', 60);
    long_name[70] = '\0';
    assert_false(openname_parse(long_name, &out, &why)); /* the qualifier over its limit */
}

static void parts_are_joined_and_checked(void **state)
{
    struct openname out;
    const char *why;
    char long_qualifier[400];
    (void)state;
    assert_true(openname_qualify("Gadus", "cf morhua", &out, &why));
    assert_string_equal(out.qualifier, "cf. morhua");
    assert_true(openname_qualify("Gadus", " ", &out, &why));
    assert_false(openname_qualify("Gadus", "perhaps", &out, &why));
    assert_non_null(strstr(why, "indet."));
    assert_false(openname_qualify("", "cf. morhua", &out, &why));
    memset(long_qualifier, 'x', sizeof long_qualifier - 1);
    long_qualifier[sizeof long_qualifier - 1] = '\0';
    assert_false(openname_qualify("Gadus", long_qualifier, &out, &why));
    assert_string_equal(openname_doubt_name(OPENNAME_CONFER), "cf.");
    assert_string_equal(openname_doubt_name((enum openname_doubt)99), "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(names_come_apart),
        cmocka_unit_test(one_spelling_comes_back_as_it_is),
        cmocka_unit_test(what_is_no_name_is_refused),
        cmocka_unit_test(parts_are_joined_and_checked),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
