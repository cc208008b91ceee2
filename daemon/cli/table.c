#include "cli/table.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

struct table {
    struct table_column column[TABLE_COLUMNS_MAX];
    size_t columns;
    char **cell;
    size_t count, size;
    bool failed;
};

struct table *table_new(const struct table_column *columns, size_t count)
{
    struct table *table = calloc(1, sizeof *table);
    if (table != NULL) {
        memcpy(table->column, columns, count * sizeof columns[0]);
        table->columns = count;
    }
    return table;
}

void table_free(struct table *table)
{
    if (table == NULL)
        return;
    for (size_t i = 0; i < table->count; i++)
        free(table->cell[i]);
    free(table->cell);
    free(table);
}

/* U+0080 to U+009F, which some terminals obey. */
static bool is_c1(const char *at)
{
    return (unsigned char)at[0] == 0xc2 && ((unsigned char)at[1] & 0xe0) == 0x80;
}

/* A copy in which control characters are blanks. */
static char *plain_copy(const char *text)
{
    char *copy = strdup(text);
    for (char *at = copy; at != NULL && *at != '\0'; at++) {
        if (is_c1(at))
            at[0] = at[1] = ' ';
        if ((unsigned char)*at < 0x20 || *at == 0x7f)
            *at = ' ';
    }
    return copy;
}

void table_cell(struct table *table, const char *text)
{
    if (table->count == table->size) {
        size_t size = table->size == 0 ? 128 : table->size * 2;
        char **cell = realloc(table->cell, size * sizeof *cell);
        if (cell == NULL) {
            table->failed = true;
            return;
        }
        table->cell = cell;
        table->size = size;
    }
    char *copy = plain_copy(text != NULL ? text : "");
    if (copy == NULL)
        table->failed = true;
    else
        table->cell[table->count++] = copy;
}

void table_cellf(struct table *table, const char *format, ...)
{
    char text[512];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    table_cell(table, text);
}

size_t table_rows(const struct table *table)
{
    return table->count / table->columns;
}

/* Characters of UTF-8: bytes that do not continue one. */
static size_t width_of(const char *text)
{
    size_t width = 0;
    for (; *text != '\0'; text++)
        width += ((unsigned char)*text & 0xc0) != 0x80 ? 1 : 0;
    return width;
}

static const char *cell_at(const struct table *table, size_t row, size_t column)
{
    return row == 0 ? table->column[column].title : table->cell[(row - 1) * table->columns + column];
}

/* Width 0: the column is left out. */
static void measure(const struct table *table, size_t *width)
{
    for (size_t c = 0; c < table->columns; c++) {
        width[c] = 0;
        for (size_t r = 1; r <= table_rows(table); r++) {
            size_t w = width_of(cell_at(table, r, c));
            width[c] = w > width[c] ? w : width[c];
        }
        size_t title = width_of(table->column[c].title);
        if ((width[c] > 0 || !table->column[c].spare) && title > width[c])
            width[c] = title;
    }
}

/* Takes from the widest of the columns that may shrink, one place at a time, until the line fits or nothing is left to take. */
static void shrink(const struct table *table, size_t *width, size_t most)
{
    for (;;) {
        size_t sum = 0, widest = TABLE_COLUMNS_MAX;
        for (size_t c = 0; c < table->columns; c++) {
            sum += width[c] > 0 ? width[c] + (sum > 0 ? 2 : 0) : 0;
            bool may = table->column[c].shrinks && width[c] > 4;
            if (may && (widest == TABLE_COLUMNS_MAX || width[c] > width[widest]))
                widest = c;
        }
        if (sum <= most || widest == TABLE_COLUMNS_MAX)
            return;
        width[widest]--;
    }
}

/* At most `width` characters; a longer text ends in "…". */
static void print_cut(const char *text, size_t width, FILE *out)
{
    bool whole = width_of(text) <= width;
    size_t left = whole ? width : width - 1;
    for (const char *at = text; *at != '\0'; at++) {
        bool starts = ((unsigned char)*at & 0xc0) != 0x80;
        if (starts && left-- == 0)
            break;
        fputc(*at, out);
    }
    if (!whole)
        fputs("…", out);
}

/* Blanks go out only when something follows them. */
static void print_row(const struct table *table, size_t row, const size_t *width, FILE *out)
{
    size_t blanks = 0;
    for (size_t c = 0; c < table->columns; c++) {
        if (width[c] == 0)
            continue;
        const char *text = cell_at(table, row, c);
        size_t places = width_of(text) < width[c] ? width_of(text) : width[c];
        if (table->column[c].right)
            blanks += width[c] - places;
        if (places > 0) {
            fprintf(out, "%*s", (int)blanks, "");
            blanks = 0;
            print_cut(text, width[c], out);
        }
        if (!table->column[c].right)
            blanks += width[c] - places;
        blanks += 2;
    }
    fputc('\n', out);
}

void table_print(const struct table *table, size_t width, FILE *out)
{
    size_t columns[TABLE_COLUMNS_MAX];
    measure(table, columns);
    shrink(table, columns, width);
    for (size_t row = 0; row <= table_rows(table); row++)
        print_row(table, row, columns, out);
    if (table->failed)
        fputs("(rows are missing: out of memory)\n", out);
}
