/* keyplan_name: the names of keys, "A1" and "A1+B1", as text, and what else the parts of keyplan share. */
#ifndef BELLROPE_CORE_KEYPLAN_NAME_H
#define BELLROPE_CORE_KEYPLAN_NAME_H

#include "core/keyplan.h"

/* A key's lead time before the plan has said one. */
#define KEYPLAN_LEAD_UNSAID UINT32_MAX

/* Reads a key's name, letter case aside, and returns what follows it; NULL: no key begins here. Rows and columns count from 0. */
const char *keyplan_name_read(const char *text, unsigned *row, unsigned *column);

/* "a1 + B1" as "A1+B1", the lower key first, into `out` of KEY_SIZE; false: not two different keys and nothing else. */
bool keyplan_name_chord(const char *text, char *out);

/* Index of what a key of that name (in the plan's spelling) means; def_count: nothing. */
uint16_t keyplan_name_def(const struct keyplan *plan, const char *key, enum key_gesture gesture);

#endif
