/*
 * xmlout: libxml2's writer over an open file, with texts made fit for XML first. Nothing here can fail but for memory; errors of the
 * file show when it is settled.
 */
#ifndef BELLROPE_EXPORT_XMLOUT_H
#define BELLROPE_EXPORT_XMLOUT_H

#include <libxml/xmlwriter.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* Takes what was written; -1: it could not. */
typedef int xmlout_sink(void *ctx, const char *bytes, int len);

/* UTF-8, indented by one blank; NULL: out of memory. */
xmlTextWriter *xmlout_open(FILE *out);
xmlTextWriter *xmlout_open_sink(xmlout_sink *sink, void *ctx);
/* Ends what is open. */
void xmlout_close(xmlTextWriter *xml);

/*
 * What was written so far is in the file, so that rows of a great number may be written there by hand, as whole lines with their own indent,
 * after a child of an element. The writer goes on behind them. Six times as quick as an element at a time.
 */
void xmlout_pause(xmlTextWriter *xml);

/* For such rows: copies a text as it is, and a NUL, and returns where the next goes. */
static inline char *xmlout_put(char *at, const char *text)
{
    return stpcpy(at, text);
}

void xmlout_start(xmlTextWriter *xml, const char *element);
void xmlout_end(xmlTextWriter *xml);
void xmlout_attribute(xmlTextWriter *xml, const char *name, const char *value);
/* All of an element's content, or a further part of it: an element has texts or elements in it, not both. */
void xmlout_text(xmlTextWriter *xml, const char *text);
/* A whole element; the second leaves an empty one out. */
void xmlout_element(xmlTextWriter *xml, const char *element, const char *text);
void xmlout_element_if(xmlTextWriter *xml, const char *element, const char *text);
void xmlout_format(xmlTextWriter *xml, const char *element, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
