#include "core/keyplan_name.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

const char *keyplan_name_read(const char *text, unsigned *row, unsigned *column)
{
    int letter = toupper((unsigned char)text[0]);
    if (letter < 'A' || letter >= 'A' + KEYPLAN_ROWS_MAX || text[1] < '1' || text[1] > '9')
        return NULL;
    *row = (unsigned)(letter - 'A');
    unsigned number = (unsigned)(text[1] - '0');
    const char *after = text + 2;
    if (isdigit((unsigned char)*after))
        number = number * 10 + (unsigned)(*after++ - '0');
    if (number > KEYPLAN_COLUMNS_MAX || isdigit((unsigned char)*after))
        return NULL;
    *column = number - 1;
    return after;
}

bool keyplan_key_index(const char *name, uint8_t rows, uint8_t columns, uint8_t *key)
{
    unsigned row, column;
    const char *after = keyplan_name_read(name, &row, &column);
    if (after == NULL || *after != '\0' || row >= rows || column >= columns ||
        row * columns + column >= KEYPLAN_KEYS_MAX)
        return false;
    *key = (uint8_t)(row * columns + column);
    return true;
}

bool keyplan_key_name(uint8_t key, uint8_t rows, uint8_t columns, char *out)
{
    out[0] = '\0';
    if (columns == 0 || rows > KEYPLAN_ROWS_MAX || columns > KEYPLAN_COLUMNS_MAX || key / columns >= rows)
        return false;
    snprintf(out, KEY_SIZE, "%c%d", 'A' + key / columns, key % columns + 1);
    return true;
}

bool keyplan_name_chord(const char *text, char *out)
{
    unsigned row[2], column[2];
    const char *after = keyplan_name_read(text, &row[0], &column[0]);
    if (after == NULL)
        return false;
    after += strspn(after, " ");
    if (*after++ != '+')
        return false;
    after = keyplan_name_read(after + strspn(after, " "), &row[1], &column[1]);
    if (after == NULL || *after != '\0' || (row[0] == row[1] && column[0] == column[1]))
        return false;
    int low = row[0] < row[1] || (row[0] == row[1] && column[0] < column[1]) ? 0 : 1;
    snprintf(out, KEY_SIZE, "%c%u+%c%u", (char)('A' + row[low]), column[low] + 1, (char)('A' + row[1 - low]),
             column[1 - low] + 1);
    return true;
}

uint16_t keyplan_name_def(const struct keyplan *plan, const char *key, enum key_gesture gesture)
{
    uint16_t i = 0;
    while (i < plan->def_count && (plan->def[i].gesture != gesture || strcmp(plan->def[i].name, key) != 0))
        i++;
    return i;
}
