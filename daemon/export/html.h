/*
 * html: text into HTML and SVG. Whatever comes from outside goes through html_text(), which leaves no character with a meaning in markup
 * or in a double-quoted attribute, turns control characters into blanks and bytes that are no UTF-8 into U+FFFD: a label
 * cannot become markup, nor break the page for a reader of XML.
 */
#ifndef BELLROPE_EXPORT_HTML_H
#define BELLROPE_EXPORT_HTML_H

#include "core/instant.h"

#include <stdio.h>

void html_text(FILE *out, const char *text);

/* "3 h 05 min", "4 min 09 s", "12.5 s"; never empty. */
#define HTML_TEXT_SIZE 64
const char *html_duration(int64_t ns, char out[HTML_TEXT_SIZE]);
/* "05:06:07" and "2031-03-04 05:06:07", UTC, rounded down. */
const char *html_clock(utc_ns utc, char out[HTML_TEXT_SIZE]);
const char *html_date_clock(utc_ns utc, char out[HTML_TEXT_SIZE]);
/* "12.34567° S 45.67891° E", with as many decimals as the uncertainty leaves sense in; negative: 5. */
const char *html_position(double lat_deg, double lon_deg, double uncertainty_m, char out[HTML_TEXT_SIZE]);
/* A length: "12.3 m", "840 m", "3.42 km". */
const char *html_length(double m, char out[HTML_TEXT_SIZE]);

#endif
