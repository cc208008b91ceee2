/*
 * xmlout: XML as it is written: elements one in another, each on its own line and indented by one blank, texts made fit for XML first
 * (plain.h). Nothing here can fail but for memory; errors of the file show when it is settled.
 */
#ifndef BELLROPE_EXPORT_XMLOUT_H
#define BELLROPE_EXPORT_XMLOUT_H

#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define XMLOUT_DEPTH 32 /* elements open at a time, at most */

struct xmlout;

/* Takes what was written; -1: it could not, and gets no more. */
typedef int xmlout_sink(void *ctx, const char *bytes, int len);

/* UTF-8; NULL: out of memory. */
struct xmlout *xmlout_open(FILE *out);
struct xmlout *xmlout_open_sink(xmlout_sink *sink, void *ctx);
/* Ends what is open. */
void xmlout_close(struct xmlout *xml);

/*
 * What was written so far is in the file, so that rows of a great number may be written there by hand, as whole lines with their own indent,
 * between two children of an element. The writer goes on behind them.
 */
void xmlout_pause(struct xmlout *xml);

/* For such rows: copies a text as it is and returns where the next goes. */
static inline char *xmlout_put(char *at, const char *text)
{
    size_t len = strlen(text);
    memcpy(at, text, len);
    return at + len;
}

/* The name must last until the element's end. */
void xmlout_start(struct xmlout *xml, const char *element);
void xmlout_end(struct xmlout *xml);
/* Before anything else of the element. */
void xmlout_attribute(struct xmlout *xml, const char *name, const char *value);
/* All of an element's content, or a further part of it: an element has texts or elements in it, not both. */
void xmlout_text(struct xmlout *xml, const char *text);
/* A whole element; the second leaves an empty one out. */
void xmlout_element(struct xmlout *xml, const char *element, const char *text);
void xmlout_element_if(struct xmlout *xml, const char *element, const char *text);
void xmlout_format(struct xmlout *xml, const char *element, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
