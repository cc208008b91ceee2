/*
 * decimal: numbers as text for what has a great many of them. The same bytes as printf("%.*f"), which takes ten times as long.
 */
#ifndef BELLROPE_EXPORT_DECIMAL_H
#define BELLROPE_EXPORT_DECIMAL_H

#define DECIMAL_SIZE 352 /* the longest double with nine decimals and its terminator, whatever it is */

/* Writes `value` with so many decimals (0 to 9) and a terminator, and returns where that is; `out` has room for DECIMAL_SIZE. */
char *decimal_put(char *out, double value, int decimals);

/* The same without zeros at the end, nor a point behind which nothing is left; minus nothing is 0. For a finite value. */
char *decimal_put_short(char *out, double value, int decimals);

#endif
