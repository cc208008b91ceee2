/* The [dataset] section as a person writes it: what is taken, and that every mistake is refused. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "cli/dataset.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct cli_verb VERB = {.name = "check"};

/* Reads `text` from a file of its own; what is told goes to `told`. */
static bool read_text(const char *text, struct export_dataset *out, char told[2048])
{
    char path[] = "/tmp/bellrope-dataset-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    close(fd);
    fflush(stderr);
    int kept = dup(STDERR_FILENO);
    FILE *catch = tmpfile();
    dup2(fileno(catch), STDERR_FILENO);
    bool fine = dataset_read(&VERB, path, out);
    fflush(stderr);
    dup2(kept, STDERR_FILENO);
    close(kept);
    rewind(catch);
    told[fread(told, 1, 2047, catch)] = '\0';
    fclose(catch);
    unlink(path);
    return fine;
}

static void all_keys_are_taken(void **state)
{
    struct export_dataset set;
    char told[2048];
    (void)state;
    assert_true(read_text(
        "[dataset]\ntitle = Dives on Hollin Bank\nabstract = A\ninstitution_code = EX\n"
        "collection_code = C\ndataset_id = D\nlicense = http://example.org/by#4\nrights_holder = R\n"
        "creator = P\norganization = O\nemail = e@example.org\nid_prefix = urn:x:\n"
        "media_base = https://example.org/m/\nsampling_protocol = S\nbasis = HumanObservation\n"
        "strict_names = yes\n",
        &set, told));
    assert_string_equal(told, "");
    assert_string_equal(set.title, "Dives on Hollin Bank");
    assert_string_equal(set.license, "http://example.org/by#4");
    assert_string_equal(set.id_prefix, "urn:x:");
    assert_string_equal(set.basis, "HumanObservation");
    assert_true(set.strict_names);
}

static void mistakes_are_told_by_line(void **state)
{
    static const struct {
        const char *text, *told;
    } wrong[] = {
        {"[dataset]\ntitel = X\n", ":2: [dataset] titel: is not known; accepted: title"},
        {"[dataset]\nstrict_names = perhaps\n", ":2: [dataset] strict_names: takes yes or no"},
        {"[dive]\nid = D1\n", ":1: [dive]"},
        {"[dataset]\ntitle\n", ":2:"},
        {"[dataset]\n\nemail = "
         "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
         "aaaaaaaaa\n",
         ":3: [dataset] email: is too long"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct export_dataset set;
        char told[2048];
        assert_false(read_text(wrong[i].text, &set, told));
        if (strstr(told, wrong[i].told) == NULL)
            fail_msg("%zu: %s", i, told);
    }
}

static void a_file_that_is_not_there(void **state)
{
    struct export_dataset set;
    (void)state;
    assert_false(dataset_read(&VERB, "/nowhere/cruise.ini", &set));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_keys_are_taken),
        cmocka_unit_test(mistakes_are_told_by_line),
        cmocka_unit_test(a_file_that_is_not_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
