/* Opening: who may, who may not, what the message says, and that a file which is refused is not touched. */
#include "store_fixture.h"

#include <fcntl.h>
#include <sys/wait.h>

static void write_file(const char *path, const void *bytes, size_t len)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, len, file), len);
    fclose(file);
}

/* The whole file in memory; NULL where there is none. */
static char *read_file(const char *path, size_t *len)
{
    FILE *file = fopen(path, "rb");
    *len = 0;
    if (file == NULL)
        return NULL;
    char *bytes = malloc(1 << 20);
    *len = fread(bytes, 1, 1 << 20, file);
    fclose(file);
    return bytes;
}

static void copy_file(const char *from, const char *to)
{
    size_t len;
    char *bytes = read_file(from, &len);
    assert_non_null(bytes);
    write_file(to, bytes, len);
    free(bytes);
}

static char *beside(struct fixture *f, const char *ending)
{
    static char path[2][200];
    static int turn;
    turn = 1 - turn;
    snprintf(path[turn], sizeof path[turn], "%s%s", f->path, ending);
    return path[turn];
}

static void assert_says(struct fixture *f, const char *what)
{
    if (strstr(f->error.text, what) == NULL)
        fail_msg("'%s' does not say '%s'", f->error.text, what);
}

/* Opens as writer and as reader: both refuse, and neither changes a byte of the database or its log, nor leaves a file. */
static void assert_refused_untouched(struct fixture *f, enum store_result result, const char *says)
{
    static const char *const endings[] = {"", "-wal"};
    char *before[2];
    size_t before_len[2], len;
    struct store_reader *reader;
    for (int i = 0; i < 2; i++)
        before[i] = read_file(beside(f, endings[i]), &before_len[i]);
    assert_int_equal(fixture_try_open(f), result);
    assert_null(f->store);
    assert_says(f, f->path);
    assert_says(f, says);
    assert_int_equal(store_reader_open(&reader, f->path, &f->error), result);
    assert_null(reader);
    assert_says(f, says);
    for (int i = 0; i < 2; i++) {
        char *after = read_file(beside(f, endings[i]), &len);
        assert_int_equal(len, before_len[i]);
        if (after != NULL)
            assert_memory_equal(after, before[i], len);
        free(after);
        free(before[i]);
    }
    assert_int_equal(access(beside(f, "-lock"), F_OK), -1);
}

static void a_second_opener_is_refused_and_told_who_holds_it(void **state)
{
    struct fixture *f = *state;
    struct store *second;
    struct store_error error;
    char holder[40];
    fixture_open(f);
    assert_int_equal(store_open(&second, &f->options, &error), STORE_HELD);
    assert_null(second);
    snprintf(holder, sizeof holder, "process %ld on ", (long)getpid());
    assert_non_null(strstr(error.text, holder));
    assert_non_null(strstr(error.text, f->path));
    submit(f, make_marker("D007", 1, 1, 10)); /* the first one is not disturbed */
    flush(f);
    fixture_close(f);
    assert_int_equal(fixture_try_open(f), STORE_OK);
}

static void another_name_of_the_same_file_is_refused_too(void **state)
{
    struct fixture *f = *state;
    struct store *second;
    struct store_error error;
    char name[100];
    snprintf(name, sizeof name, "%s/other.db", f->folder);
    fixture_open(f);
    assert_int_equal(symlink(f->path, name), 0);
    struct store_options options = f->options;
    options.path = name;
    assert_int_equal(store_open(&second, &options, &error), STORE_HELD);
}

static void a_holder_that_died_holds_nothing(void **state)
{
    struct fixture *f = *state;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        f->options.path = f->path;
        if (store_open(&f->store, &f->options, &f->error) != STORE_OK ||
            try_submit(f, make_marker("D007", 1, 1, 10)) != STORE_OK || store_flush(f->store) != STORE_OK)
            _exit(1);
        _exit(0); /* without closing */
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    assert_int_equal(access(beside(f, "-lock"), F_OK), 0);
    fixture_open(f);
    assert_int_equal(store_last_seq(f->store), 1);
    fixture_close(f);
    assert_int_equal(access(beside(f, "-lock"), F_OK), -1);
}

static void a_newer_database_is_left_as_it_was(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 10));
    fixture_close(f);
    do_sql(f->path, "PRAGMA user_version = 2");
    assert_refused_untouched(f, STORE_NEWER, "later version");
}

/* A later program died: its change of version is in the log alone, which SQLite would play back on opening. */
static void a_newer_database_with_a_log_is_left_as_it_was(void **state)
{
    struct fixture *f = *state;
    char name[2][120];
    sqlite3 *db;
    fixture_open(f);
    fixture_close(f);
    assert_int_equal(sqlite3_open(f->path, &db), SQLITE_OK);
    assert_int_equal(
        sqlite3_exec(db, "PRAGMA wal_autocheckpoint = 0; PRAGMA user_version = 3;", NULL, NULL, NULL),
        SQLITE_OK);
    snprintf(name[0], sizeof name[0], "%s/later.db", f->folder);
    snprintf(name[1], sizeof name[1], "%s/later.db-wal", f->folder);
    copy_file(f->path, name[0]);
    copy_file(beside(f, "-wal"), name[1]);
    sqlite3_close(db);
    SET_TEXT(f->path, name[0]);
    assert_refused_untouched(f, STORE_NEWER, "later version");
}

static void a_database_of_another_program_is_left_as_it_was(void **state)
{
    struct fixture *f = *state;
    do_sql(f->path, "CREATE TABLE things (a); INSERT INTO things VALUES (1)");
    assert_refused_untouched(f, STORE_NOT_OURS, "another program");
}

static void a_file_that_is_no_database_is_left_as_it_was(void **state)
{
    struct fixture *f = *state;
    static const char text[] = "[dive]\nid = D007\n";
    write_file(f->path, text, sizeof text - 1);
    assert_refused_untouched(f, STORE_NOT_OURS, "no database");
    char page[4096];
    memset(page, 'x', sizeof page);
    write_file(f->path, page, sizeof page);
    assert_refused_untouched(f, STORE_NOT_OURS, "no database");
}

static void an_empty_file_becomes_a_database(void **state)
{
    struct fixture *f = *state;
    write_file(f->path, "", 0);
    fixture_open(f);
    assert_string_equal(ask(f->path, "PRAGMA journal_mode"), "wal");
    assert_string_equal(ask(f->path, "PRAGMA application_id"), "1113943148"); /* 0x42656c6c */
    assert_string_equal(ask(f->path, "PRAGMA user_version"), "1");
    assert_string_equal(ask(f->path, "PRAGMA integrity_check"), "ok");
}

static void every_table_is_strict(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    assert_string_equal(ask(f->path, "SELECT name FROM pragma_table_list WHERE type = 'table' AND NOT strict "
                                     "AND name NOT LIKE 'sqlite_%'"),
                        "");
    assert_int_not_equal(
        atoi(ask(f->path, "SELECT count(*) FROM pragma_table_list WHERE type = 'table' AND strict")), 0);
}

static void a_path_that_cannot_be_opened_is_explained(void **state)
{
    struct fixture *f = *state;
    char folder[64];
    SET_TEXT(folder, f->folder);
    snprintf(f->path, sizeof f->path, "%s/none/dive.db", folder);
    assert_int_equal(fixture_try_open(f), STORE_CANNOT_OPEN);
    assert_says(f, "none/dive.db");
    assert_says(f, "make the folder");

    snprintf(f->path, sizeof f->path, "%s", folder);
    assert_int_equal(fixture_try_open(f), STORE_CANNOT_OPEN);
    assert_says(f, "no file");

    snprintf(f->path, sizeof f->path,
             "/sys/bellrope-test.db"); /* nobody may make a file there, root neither */
    assert_int_equal(fixture_try_open(f), STORE_CANNOT_OPEN);
    assert_says(f, "/sys/bellrope-test.db");
    assert_says(f, "may write");
}

static void a_reader_of_nothing_is_told_so(void **state)
{
    struct fixture *f = *state;
    struct store_reader *reader;
    assert_int_equal(store_reader_open(&reader, f->path, &f->error), STORE_CANNOT_OPEN);
    assert_says(f, "check the name");
    assert_int_equal(access(f->path, F_OK), -1);
    write_file(f->path, "", 0);
    assert_int_equal(store_reader_open(&reader, f->path, &f->error), STORE_NOT_OURS);
    assert_says(f, "holds nothing yet");
}

/* Half of the schema is written and the power goes: the rollback journal is there, and the next opener starts afresh. */
static void an_interrupted_creation_is_made_good(void **state)
{
    struct fixture *f = *state;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        sqlite3 *db;
        /* a tiny cache makes SQLite write pages to the file before the transaction ends */
        if (sqlite3_open(f->path, &db) != SQLITE_OK ||
            sqlite3_exec(db,
                         "PRAGMA cache_size = 1; BEGIN; CREATE TABLE a (x); INSERT INTO a WITH n (i) AS "
                         "(SELECT 1 UNION ALL "
                         "SELECT i + 1 FROM n WHERE i < 3000) SELECT randomblob(100) FROM n;",
                         NULL, NULL, NULL) != SQLITE_OK)
            _exit(1);
        _exit(0);
    }
    int status;
    struct stat file;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    assert_int_equal(stat(beside(f, "-journal"), &file), 0);
    assert_true(file.st_size > 0);
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 10));
    fixture_close(f);
    assert_string_equal(ask(f->path, "SELECT count(*) FROM sqlite_schema WHERE name = 'a'"), "0");
    assert_string_equal(ask(f->path, "SELECT ref FROM marker_now"), "D007-M0001");
}

static void a_database_is_read_from_a_folder_that_cannot_be_written(void **state)
{
    struct fixture *f = *state;
    fixture_open(f);
    submit(f, make_marker("D007", 1, 1, 10));
    fixture_close(f);
    assert_int_equal(chmod(f->path, 0444), 0);
    assert_int_equal(chmod(f->folder, 0555), 0);
    struct store_reader *reader = NULL;
    int64_t seq = -1;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) { /* as somebody to whom the modes apply */
        if (geteuid() == 0 && (setgid(65534) != 0 || setuid(65534) != 0))
            _exit(1);
        if (store_reader_open(&reader, f->path, &f->error) != STORE_OK)
            _exit(2);
        seq = query_last_seq(reader);
        store_reader_close(reader);
        _exit(seq == 1 ? 0 : 3);
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(chmod(f->folder, 0755), 0);
    assert_int_equal(status, 0);
}

static void a_folder_that_cannot_be_written_is_explained(void **state)
{
    struct fixture *f = *state;
    assert_int_equal(chmod(f->folder, 0555), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (geteuid() == 0 && (setgid(65534) != 0 || setuid(65534) != 0))
            _exit(1);
        if (fixture_try_open(f) != STORE_CANNOT_OPEN)
            _exit(2);
        _exit(strstr(f->error.text, "may write") != NULL && strstr(f->error.text, f->path) != NULL ? 0 : 3);
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(chmod(f->folder, 0755), 0);
    assert_int_equal(status, 0);
}

/* As a power cut leaves it that comes while the log is moved into the file: the first sector is noise, the log is whole. */
static void a_first_page_that_a_power_cut_tore_is_taken_from_the_log(void **state)
{
    struct fixture *f = *state;
    char torn[200], log[200];
    fixture_open(f);
    for (uint32_t i = 1; i <= 100; i++)
        submit(f, make_marker("D007", i, i, 10 * i));
    flush(f);
    snprintf(torn, sizeof torn, "%s/torn.db", f->folder);
    snprintf(log, sizeof log, "%s-wal", torn);
    copy_file(f->path, torn);
    copy_file(beside(f, "-wal"), log);
    FILE *file = fopen(torn, "r+b");
    assert_non_null(file);
    for (int i = 0; i < 512; i++)
        fputc(37 * i + 11, file);
    fclose(file);
    fixture_close(f);
    f->options.path = torn;
    fixture_open(f);
    assert_int_equal(store_last_seq(f->store), 100);
    fixture_close(f);
    f->options.path = f->path;
    assert_string_equal(ask(torn, "PRAGMA integrity_check"), "ok");
    assert_string_equal(ask(torn, "SELECT count(*) FROM marker"), "100");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        STORE_TEST(a_second_opener_is_refused_and_told_who_holds_it),
        STORE_TEST(another_name_of_the_same_file_is_refused_too),
        STORE_TEST(a_holder_that_died_holds_nothing),
        STORE_TEST(a_newer_database_is_left_as_it_was),
        STORE_TEST(a_newer_database_with_a_log_is_left_as_it_was),
        STORE_TEST(a_database_of_another_program_is_left_as_it_was),
        STORE_TEST(a_file_that_is_no_database_is_left_as_it_was),
        STORE_TEST(an_empty_file_becomes_a_database),
        STORE_TEST(every_table_is_strict),
        STORE_TEST(a_path_that_cannot_be_opened_is_explained),
        STORE_TEST(a_reader_of_nothing_is_told_so),
        STORE_TEST(an_interrupted_creation_is_made_good),
        STORE_TEST(a_first_page_that_a_power_cut_tore_is_taken_from_the_log),
        STORE_TEST(a_database_is_read_from_a_folder_that_cannot_be_written),
        STORE_TEST(a_folder_that_cannot_be_written_is_explained),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
