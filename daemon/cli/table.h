/*
 * table: rows of text in aligned columns that fit a width. Columns are as wide as their widest cell; where the sum is too
 * wide the columns marked `shrinks` give way, widest first, and a cut cell ends in "…". Widths count characters of UTF-8
 * (each as one place), control characters become blanks, so that a label cannot move the cursor.
 */
#ifndef BELLROPE_CLI_TABLE_H
#define BELLROPE_CLI_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define TABLE_COLUMNS_MAX 16
#define TABLE_WIDTH 100

struct table_column {
    const char *title;
    bool right;   /* aligned right: numbers */
    bool shrinks; /* may be cut */
    bool spare;   /* left out where no row has anything in it */
};

struct table;

struct table *table_new(const struct table_column *columns, size_t count);
void table_free(struct table *table);
/* Cells fill the row from the left; after the last column a new row starts. The text is copied; NULL is empty. */
void table_cell(struct table *table, const char *text);
void table_cellf(struct table *table, const char *format, ...) __attribute__((format(printf, 2, 3)));
size_t table_rows(const struct table *table);
void table_print(const struct table *table, size_t width, FILE *out);

#endif
