#include "export/xmlout.h"

#include "export/plain.h"

#include <stdarg.h>

static int to_file(void *ctx, const char *bytes, int len)
{
    return (int)fwrite(bytes, 1, (size_t)len, ctx);
}

static int keep_open(void *ctx)
{
    (void)ctx;
    return 0;
}

/* The library would say on standard error that it could not write; we say it, and where, when the file is settled. */
static void say_nothing(void *ctx, const char *format, ...)
{
    (void)ctx;
    (void)format;
}

xmlTextWriter *xmlout_open_sink(xmlout_sink *sink, void *ctx)
{
    xmlSetGenericErrorFunc(NULL, say_nothing);
    xmlOutputBuffer *buffer = xmlOutputBufferCreateIO(sink, keep_open, ctx, NULL);
    xmlTextWriter *xml = buffer != NULL ? xmlNewTextWriter(buffer) : NULL;
    if (xml == NULL) {
        if (buffer != NULL)
            xmlOutputBufferClose(buffer);
        return NULL;
    }
    xmlTextWriterSetIndent(xml, 1);
    /* told of an encoding, the library converts UTF-8 to UTF-8, which takes longer than all else */
    xmlTextWriterWriteRaw(xml, BAD_CAST "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    return xml;
}

xmlTextWriter *xmlout_open(FILE *out)
{
    return xmlout_open_sink(to_file, out);
}

void xmlout_close(xmlTextWriter *xml)
{
    xmlTextWriterEndDocument(xml);
    xmlFreeTextWriter(xml);
}

void xmlout_pause(xmlTextWriter *xml)
{
    xmlTextWriterFlush(xml);
}

void xmlout_start(xmlTextWriter *xml, const char *element)
{
    xmlTextWriterStartElement(xml, BAD_CAST element);
}

void xmlout_end(xmlTextWriter *xml)
{
    xmlTextWriterEndElement(xml);
}

/* In pieces, so that a text may have any length. */
void xmlout_text(xmlTextWriter *xml, const char *text)
{
    char clean[1024];
    do {
        text = plain_copy(clean, sizeof clean, text);
        xmlTextWriterWriteString(xml, BAD_CAST clean);
    } while (*text != '\0');
}

void xmlout_attribute(xmlTextWriter *xml, const char *name, const char *value)
{
    xmlTextWriterStartAttribute(xml, BAD_CAST name);
    xmlout_text(xml, value);
    xmlTextWriterEndAttribute(xml);
}

void xmlout_element(xmlTextWriter *xml, const char *element, const char *text)
{
    xmlout_start(xml, element);
    xmlout_text(xml, text);
    xmlout_end(xml);
}

void xmlout_element_if(xmlTextWriter *xml, const char *element, const char *text)
{
    if (text[0] != '\0')
        xmlout_element(xml, element, text);
}

void xmlout_format(xmlTextWriter *xml, const char *element, const char *format, ...)
{
    char text[4096];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    xmlout_element(xml, element, text);
}
