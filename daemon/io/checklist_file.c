#include "io/checklist_file.h"

#include "core/checklist.h"
#include "core/fields.h"
#include "core/openname.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BYTES_MOST ((size_t)1 << 30)
#define SUGGESTIONS 3

struct checklist_file {
    struct checklist list;
    char *text;
    uint32_t *index;
};

static char *read_all(const char *path, size_t *len, char *why, size_t why_size)
{
    FILE *file = fopen(path, "re");
    char *text = NULL;
    size_t room = 0;
    *len = 0;
    if (file == NULL) {
        snprintf(why, why_size, "%s cannot be read: %s", path, strerror(errno));
        return NULL;
    }
    for (;;) {
        if (*len == room) {
            room = room == 0 ? 65536 : room * 2;
            char *more = room <= BYTES_MOST ? realloc(text, room) : NULL;
            if (more == NULL)
                break;
            text = more;
        }
        size_t got = fread(text + *len, 1, room - *len, file);
        *len += got;
        if (got > 0)
            continue;
        bool good = ferror(file) == 0;
        fclose(file);
        if (good)
            return text;
        snprintf(why, why_size, "%s cannot be read: %s", path, strerror(errno));
        free(text);
        return NULL;
    }
    fclose(file);
    free(text);
    snprintf(why, why_size, "%s cannot be read: it is too large", path);
    return NULL;
}

struct checklist_file *checklist_file_load(const char *path, char *why, size_t why_size)
{
    struct checklist_file *file = calloc(1, sizeof *file);
    size_t len = 0;
    if (file == NULL) {
        snprintf(why, why_size, "%s: out of memory", path);
        return NULL;
    }
    file->text = read_all(path, &len, why, why_size);
    uint32_t room = file->text != NULL ? checklist_rows(file->text, len) : 0;
    file->index = calloc((size_t)room + 1, sizeof *file->index);
    enum checklist_result result = CHECKLIST_OK;
    if (file->text != NULL && file->index != NULL)
        result = checklist_load(&file->list, file->text, len, file->index, room);
    if (file->text == NULL || file->index == NULL || result != CHECKLIST_OK) {
        if (file->text != NULL)
            snprintf(why, why_size, "%s is no checklist: %s", path, checklist_result_text(result));
        checklist_file_free(file);
        return NULL;
    }
    return file;
}

void checklist_file_free(struct checklist_file *file)
{
    if (file == NULL)
        return;
    free(file->text);
    free(file->index);
    free(file);
}

uint32_t checklist_file_names(const struct checklist_file *file)
{
    return file->list.count;
}

uint32_t checklist_file_skipped(const struct checklist_file *file)
{
    return file->list.skipped;
}

static void put_text(struct fields_writer *writer, const char *name, struct checklist_text text, size_t most)
{
    char value[OPENNAME_NAME_SIZE];
    if (text.length == 0 || text.length >= most || text.length >= sizeof value)
        return;
    memcpy(value, text.at, text.length);
    value[text.length] = '\0';
    fields_put(writer, name, value);
}

static void put_found(struct fields_writer *writer, const struct checklist_row *row)
{
    char advice[200];
    fields_put_int(writer, "listed", 1);
    put_text(writer, "listed_name", row->name, OPENNAME_NAME_SIZE);
    put_text(writer, "listed_rank", row->rank, 24);
    put_text(writer, "listed_id", row->id, OPENNAME_NAME_SIZE);
    bool synonym =
        row->accepted_name.length > 0 && (row->accepted_name.length != row->name.length ||
                                          memcmp(row->accepted_name.at, row->name.at, row->name.length) != 0);
    if (!synonym)
        return;
    snprintf(advice, sizeof advice, "the checklist's accepted name is %.*s", (int)row->accepted_name.length,
             row->accepted_name.at);
    fields_put(writer, "advice", advice);
}

static void put_missing(const struct checklist_file *file, const char *name, struct fields_writer *writer)
{
    struct checklist_row rows[SUGGESTIONS];
    char advice[240];
    size_t count = checklist_suggest(&file->list, name, rows, SUGGESTIONS);
    int used = snprintf(advice, sizeof advice, "not on the checklist, kept as it is%s",
                        count > 0 ? "; near it:" : "");
    for (size_t i = 0; i < count && used > 0 && (size_t)used < sizeof advice; i++)
        used += snprintf(advice + used, sizeof advice - (size_t)used, "%s %.*s", i > 0 ? "," : "",
                         (int)rows[i].name.length, rows[i].name.at);
    fields_put_int(writer, "listed", 0);
    fields_put(writer, "advice", advice);
}

size_t checklist_file_fill(const struct checklist_file *file, char *record, size_t len, size_t room)
{
    struct fields fields;
    struct openname parsed;
    struct checklist_row row;
    char op[24], name[OPENNAME_NAME_SIZE], qualifier[OPENNAME_QUALIFIER_SIZE];
    const char *why = "";
    if (len >= room || !fields_parse(&fields, record, len) || !fields_text(&fields, "op", op, sizeof op) ||
        strcmp(op, "identify") != 0 || !fields_text(&fields, "name", name, sizeof name))
        return len;
    bool given = fields_text(&fields, "qualifier", qualifier, sizeof qualifier) && qualifier[0] != '\0';
    bool readable =
        given ? openname_qualify(name, qualifier, &parsed, &why) : openname_parse(name, &parsed, &why);
    if (!readable) /* the engine refuses it and says why */
        return len;
    struct fields_writer writer = {.bytes = record, .size = room, .len = len};
    if (checklist_find(&file->list, parsed.name, &row))
        put_found(&writer, &row);
    else
        put_missing(file, parsed.name, &writer);
    return writer.len;
}
