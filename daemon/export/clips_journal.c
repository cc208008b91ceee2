#include "export/clips_journal.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static int64_t size_of(const struct clips_journal *journal, const char *file)
{
    char path[2048];
    struct stat found;
    int len = snprintf(path, sizeof path, "%s/%s", journal->folder, file);
    return len > 0 && (size_t)len < sizeof path && stat(path, &found) == 0 ? (int64_t)found.st_size : -1;
}

static void read_known(struct clips_journal *journal, FILE *in)
{
    char *line = NULL;
    size_t size = 0;
    while (getline(&line, &size, in) > 0) {
        json_t *entry = json_loads(line, 0, NULL);
        const char *file = json_string_value(json_object_get(entry, "file"));
        if (file != NULL)
            json_object_set(journal->known, file, entry); /* a later line of one file counts */
        json_decref(entry);
    }
    free(line);
}

int clips_journal_open(struct clips_journal *journal, const char *folder, char why[CLIPS_WHY_SIZE])
{
    char path[1100];
    *journal = (struct clips_journal){.known = json_object()};
    snprintf(journal->folder, sizeof journal->folder, "%s", folder);
    snprintf(path, sizeof path, "%s/journal.jsonl", folder);
    FILE *in = fopen(path, "rb");
    if (in != NULL) {
        read_known(journal, in);
        fclose(in);
    }
    journal->out = fopen(path, "ab");
    /* what a crash left of a line must not spoil the next one */
    if (journal->out != NULL && in != NULL)
        fputc('\n', journal->out);
    if (journal->out != NULL && journal->known != NULL)
        return 0;
    snprintf(why, CLIPS_WHY_SIZE, "%.500s: %s", path, strerror(errno));
    return -1;
}

void clips_journal_close(struct clips_journal *journal)
{
    if (journal->out != NULL)
        fclose(journal->out);
    json_decref(journal->known);
    *journal = (struct clips_journal){0};
}

json_t *clips_journal_find(const struct clips_journal *journal, const char *file, const char *recipe)
{
    const json_t *entry = json_object_get(journal->known, file);
    const char *its = json_string_value(json_object_get(entry, "recipe"));
    if (its == NULL || strcmp(its, recipe) != 0 ||
        json_integer_value(json_object_get(entry, "bytes")) != size_of(journal, file))
        return NULL;
    return json_object_get(entry, "made");
}

int clips_journal_add(struct clips_journal *journal, const char *file, const char *recipe, json_t *made)
{
    json_t *entry = json_pack("{s:s, s:s, s:I, s:o}", "file", file, "recipe", recipe, "bytes",
                              (json_int_t)size_of(journal, file), "made", made);
    bool fine = entry != NULL && json_dumpf(entry, journal->out, JSON_COMPACT) == 0 &&
                fputc('\n', journal->out) != EOF && fflush(journal->out) == 0;
    if (entry != NULL)
        json_object_set(journal->known, file, entry);
    json_decref(entry);
    return fine ? 0 : -1;
}
