#include "core/checklist.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

enum column {
    COL_NAME,
    COL_NAME_ID,
    COL_TAXON_ID,
    COL_RANK,
    COL_STATUS,
    COL_ACCEPTED,
    COL_ACCEPTED_ID,
    COL_AUTHOR,
    COLS
};
static const char *const column_names[COLS] = {
    "scientificName",      "scientificNameID",        "taxonID",
    "taxonRank",           "taxonomicStatus",         "acceptedNameUsage",
    "acceptedNameUsageID", "scientificNameAuthorship"};

static const char *const result_texts[] = {
    "the checklist can be used",
    "the checklist is empty; a Darwin Core Taxon table begins with a line of column names",
    "the first line has no scientificName; separate the column names by tabs and name one so",
    "the checklist has more than 127 columns; leave some out",
    "the checklist has more rows than the memory set aside for it",
};

const char *checklist_result_text(enum checklist_result result)
{
    return (unsigned)result < sizeof result_texts / sizeof result_texts[0] ? result_texts[result] : "";
}

/* --- the text --- */

static struct checklist_text line_at(const char *text, size_t length, size_t offset)
{
    const char *end = memchr(text + offset, '\n', length - offset);
    size_t bytes = end == NULL ? length - offset : (size_t)(end - (text + offset));
    if (bytes > 0 && text[offset + bytes - 1] == '\r')
        bytes--;
    return (struct checklist_text){text + offset, bytes};
}

/* Offset of the line after the one at `offset`; `length` at the end. */
static size_t next_line(const char *text, size_t length, size_t offset)
{
    const char *end = memchr(text + offset, '\n', length - offset);
    return end == NULL ? length : (size_t)(end - text) + 1;
}

/* Takes the next field off the front of `line`; false: there is none. */
static bool next_field(struct checklist_text *line, struct checklist_text *field)
{
    if (line->at == NULL)
        return false;
    const char *tab = line->length == 0 ? NULL : memchr(line->at, '\t', line->length);
    field->at = line->at;
    field->length = tab == NULL ? line->length : (size_t)(tab - line->at);
    line->length -= field->length + (tab != NULL);
    line->at = tab == NULL ? NULL : tab + 1;
    while (field->length > 0 && isspace((unsigned char)field->at[0])) {
        field->at++;
        field->length--;
    }
    while (field->length > 0 && isspace((unsigned char)field->at[field->length - 1]))
        field->length--;
    return true;
}

uint32_t checklist_rows(const char *text, size_t length)
{
    uint32_t lines = 0;
    for (size_t at = 0; at < length; at = next_line(text, length, at))
        lines++;
    return lines > 0 ? lines - 1 : 0;
}

static struct checklist_row read_row(const struct checklist *list, uint32_t offset)
{
    struct checklist_text line = line_at(list->text, list->length, offset), field;
    struct checklist_text found[COLS] = {{NULL, 0}};
    for (int8_t i = 0; next_field(&line, &field); i++)
        for (int c = 0; c < COLS; c++)
            if (list->column[c] == i)
                found[c] = field;
    return (struct checklist_row){
        .name = found[COL_NAME],
        .id = found[COL_NAME_ID].length > 0 ? found[COL_NAME_ID] : found[COL_TAXON_ID],
        .rank = found[COL_RANK],
        .status = found[COL_STATUS],
        .accepted_name = found[COL_ACCEPTED],
        .accepted_id = found[COL_ACCEPTED_ID],
        .author = found[COL_AUTHOR],
    };
}

static struct checklist_text read_name(const struct checklist *list, uint32_t offset)
{
    struct checklist_text line = line_at(list->text, list->length, offset), field = {line.at, 0};
    for (int8_t i = 0; i <= list->column[COL_NAME]; i++)
        if (!next_field(&line, &field))
            break;
    return field;
}

/* --- names --- */

/*
 * Letter case and runs of white space do not tell names apart. Only ASCII letters are folded: names of animals and plants are written in them
 * (International Code of Zoological Nomenclature, article 11.2), and others must then agree byte for byte.
 */
struct folder {
    struct checklist_text rest;
};

static int next_folded(struct folder *folder)
{
    struct checklist_text *rest = &folder->rest;
    if (rest->length == 0)
        return -1;
    unsigned char c = (unsigned char)*rest->at;
    do {
        rest->at++;
        rest->length--;
    } while (isspace(c) && rest->length > 0 && isspace((unsigned char)*rest->at));
    return isspace(c) ? ' ' : tolower(c);
}

static int compare_names(struct checklist_text a, struct checklist_text b)
{
    struct folder left = {a}, right = {b};
    int x, y;
    do {
        x = next_folded(&left);
        y = next_folded(&right);
    } while (x == y && x >= 0);
    return x - y;
}

static struct checklist_text trimmed(const char *name)
{
    struct checklist_text text = {name, strlen(name)};
    while (text.length > 0 && isspace((unsigned char)*text.at)) {
        text.at++;
        text.length--;
    }
    while (text.length > 0 && isspace((unsigned char)text.at[text.length - 1]))
        text.length--;
    return text;
}

/* --- building --- */

static bool is_text(struct checklist_text text, const char *wanted)
{
    return text.length == strlen(wanted) && memcmp(text.at, wanted, text.length) == 0;
}

static enum checklist_result read_columns(struct checklist *list)
{
    struct checklist_text line = line_at(list->text, list->length, 0), field;
    int count = 0;
    /* A byte order mark is no part of the first name. */
    if (line.length >= 3 && memcmp(line.at, "\xef\xbb\xbf", 3) == 0) {
        line.at += 3;
        line.length -= 3;
    }
    memset(list->column, -1, sizeof list->column);
    for (; next_field(&line, &field); count++) {
        if (count >= INT8_MAX)
            return CHECKLIST_TOO_WIDE;
        if (field.length > 4 && memcmp(field.at, "dwc:", 4) == 0)
            field = (struct checklist_text){field.at + 4, field.length - 4};
        for (int c = 0; c < COLS; c++)
            if (list->column[c] < 0 && is_text(field, column_names[c]))
                list->column[c] = (int8_t)count;
    }
    list->columns = (uint8_t)count;
    return list->column[COL_NAME] < 0 ? CHECKLIST_NO_NAME : CHECKLIST_OK;
}

static bool row_is_sound(const struct checklist *list, size_t offset)
{
    struct checklist_text line = line_at(list->text, list->length, offset), field;
    unsigned count = 0;
    bool named = false;
    for (; next_field(&line, &field); count++)
        if ((int)count == list->column[COL_NAME])
            named = field.length > 0 && field.length <= CHECKLIST_NAME_MAX;
    return named && count == list->columns;
}

static int compare_rows(const struct checklist *list, uint32_t a, uint32_t b)
{
    int order = compare_names(read_name(list, a), read_name(list, b));
    if (order != 0)
        return order;
    int accepted =
        is_text(read_row(list, b).status, "accepted") - is_text(read_row(list, a).status, "accepted");
    return accepted != 0 ? accepted : (a > b) - (a < b);
}

/* Heap sort: in place, no allocation, no bad case; and no state outside its arguments, which qsort() would need. */
static void sift(struct checklist *list, uint32_t root, uint32_t count)
{
    uint32_t value = list->row[root];
    for (uint32_t child; (child = 2 * root + 1) < count; root = child) {
        if (child + 1 < count && compare_rows(list, list->row[child], list->row[child + 1]) < 0)
            child++;
        if (compare_rows(list, value, list->row[child]) >= 0)
            break;
        list->row[root] = list->row[child];
    }
    list->row[root] = value;
}

static void sort_rows(struct checklist *list)
{
    for (uint32_t i = list->count / 2; i-- > 0;)
        sift(list, i, list->count);
    for (uint32_t end = list->count; end-- > 1;) {
        uint32_t largest = list->row[0];
        list->row[0] = list->row[end];
        list->row[end] = largest;
        sift(list, 0, end);
    }
}

enum checklist_result checklist_load(struct checklist *list, const char *text, size_t length, uint32_t *index,
                                     uint32_t room)
{
    *list = (struct checklist){.text = text, .length = length, .row = index};
    if (length == 0)
        return CHECKLIST_EMPTY;
    enum checklist_result result = read_columns(list);
    if (result != CHECKLIST_OK)
        return result;
    for (size_t at = next_line(text, length, 0); at < length; at = next_line(text, length, at)) {
        if (!row_is_sound(list, at)) {
            list->skipped++;
            continue;
        }
        if (list->count == room || at > UINT32_MAX) {
            list->count = 0;
            return CHECKLIST_NO_ROOM;
        }
        list->row[list->count++] = (uint32_t)at;
    }
    sort_rows(list);
    return CHECKLIST_OK;
}

/* --- looking up --- */

bool checklist_find(const struct checklist *list, const char *name, struct checklist_row *row)
{
    struct checklist_text wanted = trimmed(name);
    uint32_t low = 0, high = list->count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (compare_names(read_name(list, list->row[middle]), wanted) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    if (low == list->count)
        return false;
    *row = read_row(list, list->row[low]);
    return compare_names(row->name, wanted) == 0;
}

static unsigned least(unsigned a, unsigned b)
{
    return a < b ? a : b;
}

unsigned checklist_distance(const char *a, size_t a_length, const char *b, size_t b_length, unsigned limit)
{
    /* Three rows of the table of distances between beginnings: the one being made and the two before it. */
    unsigned table[3][CHECKLIST_NAME_MAX + 1];
    size_t gap = a_length > b_length ? a_length - b_length : b_length - a_length;
    if (a_length > CHECKLIST_NAME_MAX || b_length > CHECKLIST_NAME_MAX || gap > limit)
        return limit + 1;
    for (unsigned j = 0; j <= b_length; j++)
        table[0][j] = j;
    for (size_t i = 1; i <= a_length; i++) {
        unsigned *now = table[i % 3];
        const unsigned *before = table[(i - 1) % 3], *two_before = table[(i + 1) % 3];
        unsigned best = now[0] = (unsigned)i;
        for (size_t j = 1; j <= b_length; j++) {
            now[j] = least(before[j - 1] + (a[i - 1] != b[j - 1]), least(before[j], now[j - 1]) + 1);
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                now[j] = least(now[j], two_before[j - 2] + 1);
            best = least(best, now[j]);
        }
        if (best > limit)
            return limit + 1;
    }
    return least(table[a_length % 3][b_length], limit + 1);
}

static size_t fold(struct checklist_text name, char out[CHECKLIST_NAME_MAX])
{
    struct folder folder = {name};
    size_t length = 0;
    int c = next_folded(&folder);
    for (; c >= 0 && length < CHECKLIST_NAME_MAX; c = next_folded(&folder))
        out[length++] = (char)c;
    return c >= 0 ? CHECKLIST_NAME_MAX + 1 : length;
}

/* The best so far, nearest first. */
struct shortlist {
    struct checklist_row *rows;
    unsigned distance[CHECKLIST_SUGGEST_MAX];
    size_t count, max;
};

/* Puts a row behind those that are as near; a name that stands there already, and what is behind the last place, falls away. */
static void shortlist_add(struct shortlist *best, const struct checklist *list, uint32_t offset,
                          unsigned away)
{
    size_t place = best->count;
    while (place > 0 && best->distance[place - 1] > away)
        place--;
    if (place == best->max ||
        (place > 0 && compare_names(best->rows[place - 1].name, read_name(list, offset)) == 0))
        return;
    if (best->count < best->max)
        best->count++;
    size_t behind = best->count - 1 - place;
    memmove(&best->distance[place + 1], &best->distance[place], behind * sizeof best->distance[0]);
    memmove(&best->rows[place + 1], &best->rows[place], behind * sizeof best->rows[0]);
    best->distance[place] = away;
    best->rows[place] = read_row(list, offset);
}

size_t checklist_suggest(const struct checklist *list, const char *name, struct checklist_row *rows,
                         size_t max)
{
    char wanted[CHECKLIST_NAME_MAX], other[CHECKLIST_NAME_MAX];
    struct shortlist best = {.rows = rows, .max = max < CHECKLIST_SUGGEST_MAX ? max : CHECKLIST_SUGGEST_MAX};
    size_t length = fold(trimmed(name), wanted);
    unsigned limit = length < 5 ? 1 : length < 12 ? 2 : CHECKLIST_DISTANCE_MAX;
    for (uint32_t i = 0; i < list->count; i++) {
        size_t other_length = fold(read_name(list, list->row[i]), other);
        unsigned away = checklist_distance(wanted, length, other, other_length, limit);
        if (away <= limit)
            shortlist_add(&best, list, list->row[i], away);
    }
    return best.count;
}
