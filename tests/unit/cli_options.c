/* Command lines against a verb's table. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "cli/options.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct cli_option OPTIONS[] = {{"seat", "SEAT", "a seat"}, {"note", "TEXT", "a note"},
                                            {"all", NULL, "a flag"},    {"n", "N", "a short one"},
                                            {"o", "PATH", "where"},     {0}};
static const struct cli_verb VERB = {.name = "test",
                                     .arguments = "KEY [WHAT]",
                                     .summary = "Tests",
                                     .examples = "  bellrope test\n",
                                     .options = OPTIONS,
                                     .least = 1,
                                     .most = 2,
                                     .needs = CLI_NEEDS_RECORD,
                                     .prints = true};

static struct options options;

/* Reads a NULL-terminated command line behind the verb; what goes to stderr is thrown away. */
static int read_line(const char *first, ...)
{
    char *argv[32] = {(char *)(uintptr_t) "test"};
    int argc = 1;
    va_list args;
    va_start(args, first);
    for (const char *at = first; at != NULL; at = va_arg(args, const char *))
        argv[argc++] = (char *)(uintptr_t)at;
    va_end(args);
    int saved = dup(2);
    assert_non_null(freopen("/dev/null", "w", stderr));
    int result = options_read(&options, &VERB, argc, argv);
    fflush(stderr);
    dup2(saved, 2);
    close(saved);
    return result;
}

static void options_and_arguments_mix(void **state)
{
    (void)state;
    assert_int_equal(read_line("--seat", "nav", "A1", "--all", "--note=two = 2", "B1", NULL), CLI_DONE);
    assert_int_equal(options.argument_count, 2);
    assert_string_equal(options.argument[0], "A1");
    assert_string_equal(options.argument[1], "B1");
    assert_string_equal(options_value(&options, "seat"), "nav");
    assert_string_equal(options_value(&options, "note"), "two = 2");
    assert_true(options_flag(&options, "all"));
    assert_false(options.json);
    assert_null(options_value(&options, "db"));
}

static void shared_options_are_there(void **state)
{
    (void)state;
    assert_int_equal(read_line("A1", "--json", "--db", "x.db", "--socket=/run/s", "-o", "-", NULL), CLI_DONE);
    assert_true(options.json);
    assert_string_equal(options_value(&options, "db"), "x.db");
    assert_string_equal(options_value(&options, "socket"), "/run/s");
    assert_string_equal(options_value(&options, "o"), "-");
}

static void values_are_taken_as_they_are(void **state)
{
    (void)state;
    /* a value may look like an option; negative numbers and timecodes are arguments; a double dash ends options */
    assert_int_equal(read_line("--note", "--all", "-12", "--seat=", NULL), CLI_DONE);
    assert_string_equal(options_value(&options, "note"), "--all");
    assert_false(options_flag(&options, "all"));
    assert_string_equal(options.argument[0], "-12");
    assert_string_equal(options_value(&options, "seat"), "");
    assert_int_equal(read_line("-00:00:01:00", "--", "--all", NULL), CLI_DONE);
    assert_string_equal(options.argument[0], "-00:00:01:00");
    assert_string_equal(options.argument[1], "--all");
    assert_int_equal(read_line("-", NULL), CLI_DONE);
    assert_string_equal(options.argument[0], "-");
}

static void repeated_options(void **state)
{
    (void)state;
    assert_int_equal(read_line("A1", "--seat", "one", "--seat", "two", NULL), CLI_DONE);
    assert_string_equal(options_value(&options, "seat"), "two");
    assert_string_equal(options_each(&options, "seat", 0), "one");
    assert_string_equal(options_each(&options, "seat", 1), "two");
    assert_null(options_each(&options, "seat", 2));
}

static void misuse_is_told_from_the_rest(void **state)
{
    (void)state;
    assert_int_equal(read_line(NULL), CLI_USAGE);
    assert_int_equal(read_line("A1", "B1", "C1", NULL), CLI_USAGE);
    assert_int_equal(read_line("A1", "--whale", NULL), CLI_USAGE);
    assert_int_equal(read_line("A1", "--sea", "nav", NULL), CLI_USAGE); /* no shortening */
    assert_int_equal(read_line("A1", "-x", NULL), CLI_USAGE);
    assert_int_equal(read_line("A1", "--seat", NULL), CLI_USAGE);
    assert_int_equal(read_line("A1", "--all=yes", NULL), CLI_USAGE);
}

static void whole_numbers(void **state)
{
    (void)state;
    long long n = 7;
    assert_int_equal(read_line("A1", NULL), CLI_DONE);
    assert_true(options_int(&options, "n", 1, 10, &n) && n == 7);
    assert_int_equal(read_line("A1", "--n", "10", NULL), CLI_DONE);
    assert_true(options_int(&options, "n", 1, 10, &n) && n == 10);
    static const char *const bad[] = {"11", "0", "", "3x", "1.5", "99999999999999999999", " "};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_int_equal(read_line("A1", "--n", bad[i], NULL), CLI_DONE);
        int saved = dup(2);
        assert_non_null(freopen("/dev/null", "w", stderr));
        bool taken = options_int(&options, "n", 1, 10, &n);
        fflush(stderr);
        dup2(saved, 2);
        close(saved);
        if (taken)
            fail_msg("taken: '%s'", bad[i]);
    }
}

static void durations(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        long long ms;
    } good[] = {{"20", 20000},     {"20s", 20000}, {"1.5s", 1500}, {"2m30s", 150000}, {"1h05m", 3900000},
                {"3d", 259200000}, {"250ms", 250}, {"0", 0},       {"1m250ms", 60250}};
    long long ns;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        if (!options_duration(good[i].text, &ns) || ns != good[i].ms * 1000000)
            fail_msg("'%s' is %lld ns", good[i].text, ns);
    static const char *const bad[] = {"",     "s",   "-1s", "1 s",  "1x",
                                      "2m30", "1e3", "nan", "0x10", "9999999999"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        if (options_duration(bad[i], &ns))
            fail_msg("taken: '%s'", bad[i]);
}

static void help_names_every_option(void **state)
{
    (void)state;
    char *text = NULL;
    size_t len = 0;
    FILE *out = open_memstream(&text, &len);
    options_help(&VERB, out);
    fclose(out);
    static const char *const named[] = {"--seat SEAT", "--all", "-o PATH", "--json",    "--socket",
                                        "--config",    "--db",  "--help",  "Examples:", "Exit: 0"};
    for (size_t i = 0; i < sizeof named / sizeof named[0]; i++)
        assert_non_null(strstr(text, named[i]));
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(options_and_arguments_mix),
        cmocka_unit_test(shared_options_are_there),
        cmocka_unit_test(values_are_taken_as_they_are),
        cmocka_unit_test(repeated_options),
        cmocka_unit_test(misuse_is_told_from_the_rest),
        cmocka_unit_test(whole_numbers),
        cmocka_unit_test(durations),
        cmocka_unit_test(help_names_every_option),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
