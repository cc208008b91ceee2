/*
 * keylabels: the labels of key plans as one page of SVG, to be printed and cut. Lengths are millimetres: the page is A4 (210 by 297 mm, ISO
 * 216) and its user unit is one millimetre, so that a print at 100 % is true. A ruler of 100 mm on the page shows whether it was.
 */
#ifndef BELLROPE_CLI_KEYLABELS_H
#define BELLROPE_CLI_KEYLABELS_H

#include "core/engine.h"

#include <stdio.h>

struct keylabels_sheet {
    double pitch_mm; /* from the middle of a key to that of the next */
    size_t count;
    const struct keyplan *plan[ENGINE_PADS_MAX];
    const char *seat[ENGINE_PADS_MAX];
};

/* False: it does not fit on one page; what was written is then to be thrown away. */
bool keylabels_write(const struct keylabels_sheet *sheet, FILE *out);

#endif
