/* clips_page: the index as a page to open in a browser: no network, no script, links relative to its folder. */
#ifndef BELLROPE_EXPORT_CLIPS_PAGE_H
#define BELLROPE_EXPORT_CLIPS_PAGE_H

#include <jansson.h>
#include <stdio.h>

/* A clips_file_write; `index` is the json_t of index.json. */
void clips_page_write(void *index, FILE *out);

#endif
