/*
 * Runs a fuzz target without libFuzzer: every file of a corpus, then so many inputs made from those files by chance. For the tests of
 * every build; the search for new paths is libFuzzer's (run.sh).
 *   fuzz_NAME [--runs N] FOLDER         BELLROPE_SEED in the environment repeats a run
 */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { FILES_MAX = 64, INPUT_MAX = 8192 };

static struct {
    uint8_t *bytes;
    size_t len;
} file[FILES_MAX];
static size_t files;
static uint64_t state;

/* splitmix64 (S. Vigna, public domain), from memory */
static uint64_t chance(uint64_t below)
{
    uint64_t z = state += UINT64_C(0x9E3779B97F4A7C15);
    z = (z ^ z >> 30) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ z >> 27) * UINT64_C(0x94D049BB133111EB);
    return (z ^ z >> 31) % below;
}

static int load(const char *path)
{
    FILE *in = fopen(path, "rb");
    if (in == NULL)
        return -1;
    uint8_t *bytes = malloc(INPUT_MAX);
    file[files].bytes = bytes;
    file[files].len = bytes == NULL ? 0 : fread(bytes, 1, INPUT_MAX, in);
    files += bytes == NULL ? 0 : 1;
    fclose(in);
    return bytes == NULL ? -1 : 0;
}

static int by_name(const struct dirent **a, const struct dirent **b)
{
    return strcmp((*a)->d_name, (*b)->d_name);
}

/* In order of name, so that a seed means the same everywhere. */
static int load_folder(const char *folder)
{
    struct dirent **entry;
    int count = scandir(folder, &entry, NULL, by_name), failed = 0;
    for (int i = 0; i < count; i++) {
        char path[4096];
        snprintf(path, sizeof path, "%s/%s", folder, entry[i]->d_name);
        if (entry[i]->d_name[0] != '.' && files < FILES_MAX && load(path) != 0) {
            fprintf(stderr, "%s: cannot be read\n", path);
            failed = 1;
        }
        free(entry[i]);
    }
    if (count >= 0)
        free(entry);
    return failed != 0 || files == 0 ? -1 : 0;
}

static size_t overwrite(uint8_t *input, size_t len)
{
    static const uint8_t odd[] = {0, 1, 0x1F, 0x7F, 0x80, 0xFF, '\n', '"', '-', '.', '0', '9', '|', '=', ','};
    for (uint64_t n = 1 + chance(4); n > 0 && len > 0; n--)
        input[chance(len)] = chance(2) == 0 ? odd[chance(sizeof odd)] : (uint8_t)chance(256);
    return len;
}

static size_t cut(uint8_t *input, size_t len)
{
    if (len == 0)
        return 0;
    size_t at = (size_t)chance(len), out = (size_t)(1 + chance(len - at));
    memmove(input + at, input + at + out, len - at - out);
    return len - out;
}

/* A piece of any file, put in anywhere. */
static size_t splice(uint8_t *input, size_t len)
{
    size_t from = (size_t)chance(files), room = INPUT_MAX - len;
    if (file[from].len == 0 || room == 0)
        return len;
    size_t start = (size_t)chance(file[from].len), piece = (size_t)(1 + chance(file[from].len - start));
    size_t at = (size_t)chance(len + 1);
    if (piece > room)
        piece = room;
    memmove(input + at + piece, input + at, len - at);
    memcpy(input + at, file[from].bytes + start, piece);
    return len + piece;
}

static void run_one(const uint8_t *bytes, size_t len)
{
    uint8_t *exact = malloc(len > 0 ? len : 1); /* so that a sanitizer sees a byte too far */
    if (exact == NULL)
        abort();
    memcpy(exact, bytes, len);
    (void)LLVMFuzzerTestOneInput(exact, len);
    free(exact);
}

static void run_random(long runs)
{
    static uint8_t input[INPUT_MAX];
    static size_t (*const change[])(uint8_t * input, size_t len) = {overwrite, cut, splice};
    for (long i = 0; i < runs; i++) {
        size_t from = (size_t)chance(files), len = file[from].len;
        memcpy(input, file[from].bytes, len);
        for (uint64_t n = 1 + chance(4); n > 0; n--)
            len = change[chance(3)](input, len);
        run_one(input, len);
    }
}

int main(int argc, char **argv)
{
    long runs = 1000;
    int at = 1;
    if (argc > 3 && strcmp(argv[1], "--runs") == 0) {
        runs = strtol(argv[2], NULL, 10);
        at = 3;
    }
    if (at + 1 != argc || runs < 0) {
        fprintf(stderr, "usage: %s [--runs N] FOLDER\n", argv[0]);
        return 2;
    }
    if (load_folder(argv[at]) != 0) {
        fprintf(stderr, "%s: no corpus there\n", argv[at]);
        return 1;
    }
    const char *given = getenv("BELLROPE_SEED");
    state = given != NULL ? strtoull(given, NULL, 0) : (uint64_t)time(NULL);
    printf("BELLROPE_SEED=%llu\n", (unsigned long long)state);
    fflush(stdout);
    for (size_t i = 0; i < files; i++)
        run_one(file[i].bytes, file[i].len);
    run_random(runs);
    printf("%zu files, %ld inputs made from them: sound\n", files, runs);
    for (size_t i = 0; i < files; i++)
        free(file[i].bytes);
    return 0;
}
