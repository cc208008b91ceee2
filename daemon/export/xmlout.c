#include "export/xmlout.h"

#include "export/plain.h"

#include <assert.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdlib.h>

struct xmlout {
    xmlout_sink *sink;
    void *ctx;
    bool failed;
    const char *open[XMLOUT_DEPTH]; /* names of the open elements, the root's first */
    size_t depth;
    bool tag_open; /* the innermost's start tag still takes attributes */
    bool has_text; /* so its end tag stands on the same line */
    size_t used;
    char buffer[16384];
};

static void flush(struct xmlout *xml)
{
    if (xml->used > 0 && !xml->failed)
        xml->failed = xml->sink(xml->ctx, xml->buffer, (int)xml->used) < 0;
    xml->used = 0;
}

/* More than there is room for. */
static void put_piecewise(struct xmlout *xml, const char *bytes, size_t len)
{
    while (len > 0) {
        size_t room = sizeof xml->buffer - xml->used, part = len < room ? len : room;
        memcpy(xml->buffer + xml->used, bytes, part);
        xml->used += part;
        bytes += part;
        len -= part;
        if (xml->used == sizeof xml->buffer)
            flush(xml);
    }
}

static inline void put(struct xmlout *xml, const char *bytes, size_t len)
{
    if (len > sizeof xml->buffer - xml->used) {
        put_piecewise(xml, bytes, len);
    } else {
        memcpy(xml->buffer + xml->used, bytes, len);
        xml->used += len;
    }
}

static inline void put_text(struct xmlout *xml, const char *text)
{
    put(xml, text, strlen(text));
}

static const char *entity_of(char byte)
{
    switch (byte) {
    case '&':
        return "&amp;";
    case '<':
        return "&lt;";
    case '>':
        return "&gt;";
    case '"':
        return "&quot;";
    default:
        return NULL;
    }
}

/* What stands for itself goes in one piece. */
static void put_escaped(struct xmlout *xml, const char *text)
{
    while (*text != '\0') {
        size_t run = 0;
        while (text[run] >= ' ' && text[run] <= '~' && entity_of(text[run]) == NULL)
            run++;
        put(xml, text, run);
        text += run;
        char unit[PLAIN_UNIT];
        const char *next = plain_next(text, unit);
        if (next == NULL)
            return;
        const char *entity = entity_of(unit[0]);
        put_text(xml, entity != NULL ? entity : unit);
        text = next;
    }
}

static void indent(struct xmlout *xml)
{
    static const char blanks[XMLOUT_DEPTH] = "                                ";
    put(xml, blanks, xml->depth);
}

static int to_file(void *ctx, const char *bytes, int len)
{
    return fwrite(bytes, 1, (size_t)len, ctx) == (size_t)len ? 0 : -1;
}

struct xmlout *xmlout_open_sink(xmlout_sink *sink, void *ctx)
{
    struct xmlout *xml = calloc(1, sizeof *xml);
    if (xml == NULL)
        return NULL;
    xml->sink = sink;
    xml->ctx = ctx;
    put_text(xml, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    return xml;
}

struct xmlout *xmlout_open(FILE *out)
{
    return xmlout_open_sink(to_file, out);
}

void xmlout_close(struct xmlout *xml)
{
    while (xml->depth > 0)
        xmlout_end(xml);
    flush(xml);
    free(xml);
}

void xmlout_pause(struct xmlout *xml)
{
    if (xml->tag_open)
        put_text(xml, ">\n");
    xml->tag_open = false;
    flush(xml);
}

void xmlout_start(struct xmlout *xml, const char *element)
{
    assert(xml->depth < XMLOUT_DEPTH);
    if (xml->tag_open)
        put_text(xml, ">\n");
    indent(xml);
    put_text(xml, "<");
    put_text(xml, element);
    xml->open[xml->depth++] = element;
    xml->tag_open = true;
    xml->has_text = false;
}

void xmlout_end(struct xmlout *xml)
{
    const char *element = xml->open[--xml->depth];
    if (xml->tag_open) {
        put_text(xml, "/>\n");
    } else {
        if (!xml->has_text)
            indent(xml);
        put_text(xml, "</");
        put_text(xml, element);
        put_text(xml, ">\n");
    }
    xml->tag_open = false;
    xml->has_text = false;
}

void xmlout_attribute(struct xmlout *xml, const char *name, const char *value)
{
    put_text(xml, " ");
    put_text(xml, name);
    put_text(xml, "=\"");
    put_escaped(xml, value);
    put_text(xml, "\"");
}

void xmlout_text(struct xmlout *xml, const char *text)
{
    if (xml->tag_open)
        put_text(xml, ">");
    xml->tag_open = false;
    xml->has_text = true;
    put_escaped(xml, text);
}

void xmlout_element(struct xmlout *xml, const char *element, const char *text)
{
    xmlout_start(xml, element);
    xmlout_text(xml, text);
    xmlout_end(xml);
}

void xmlout_element_if(struct xmlout *xml, const char *element, const char *text)
{
    if (text[0] != '\0')
        xmlout_element(xml, element, text);
}

void xmlout_format(struct xmlout *xml, const char *element, const char *format, ...)
{
    char text[4096];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    xmlout_element(xml, element, text);
}
