/* xmlout: the layout byte by byte, what is escaped, rows by hand between elements, texts longer than any buffer, and a sink that fails. */
#include "export/xmlout.h"

#include <stdlib.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static char *written;
static size_t written_len;

static FILE *begin(void)
{
    FILE *out = open_memstream(&written, &written_len);
    assert_non_null(out);
    return out;
}

static void assert_written(FILE *out, const char *expected)
{
    assert_int_equal(fclose(out), 0);
    assert_string_equal(written, expected);
    free(written);
}

#define HEAD "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"

static void elements_stand_one_in_another(void **state)
{
    FILE *out = begin();
    xmlTextWriter *xml = xmlout_open(out);
    (void)state;
    xmlout_start(xml, "a");
    xmlout_attribute(xml, "x", "1");
    xmlout_attribute(xml, "y", "");
    xmlout_start(xml, "b");
    xmlout_element(xml, "c", "text");
    xmlout_element(xml, "c", "");
    xmlout_element_if(xml, "d", "");
    xmlout_element_if(xml, "d", "there");
    xmlout_start(xml, "e");
    xmlout_end(xml);
    xmlout_end(xml);
    xmlout_format(xml, "f", "%.1f and %s", 0.5, "more");
    xmlout_start(xml, "g"); /* left open, like a */
    xmlout_text(xml, "in ");
    xmlout_text(xml, "parts");
    xmlout_close(xml);
    assert_written(out, HEAD "<a x=\"1\" y=\"\">\n"
                             " <b>\n"
                             "  <c>text</c>\n"
                             "  <c></c>\n"
                             "  <d>there</d>\n"
                             "  <e/>\n"
                             " </b>\n"
                             " <f>0.5 and more</f>\n"
                             " <g>in parts</g>\n"
                             "</a>\n");
}

static void texts_are_made_fit(void **state)
{
    FILE *out = begin();
    xmlTextWriter *xml = xmlout_open(out);
    (void)state;
    xmlout_start(xml, "a");
    xmlout_attribute(xml, "x", "<\"&'>\n\xC3\xA9");
    xmlout_text(xml, "<\"&'>\t\x01 \xC3\xA9 \xF0\x9F\x90\x9F \xFF \xED\xA0\x80 \x7F.");
    xmlout_close(xml);
    assert_written(out, HEAD "<a x=\"&lt;&quot;&amp;'&gt; &#xE9;\">"
                             "&lt;&quot;&amp;'&gt;   \xC3\xA9 \xF0\x9F\x90\x9F \xEF\xBF\xBD "
                             "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD  .</a>\n");
}

static void rows_by_hand_stand_where_they_were_written(void **state)
{
    FILE *out = begin();
    xmlTextWriter *xml = xmlout_open(out);
    (void)state;
    xmlout_start(xml, "a");
    xmlout_start(xml, "b");
    xmlout_element(xml, "c", "0");
    xmlout_pause(xml);
    fputs("  <by_hand/>\n", out);
    xmlout_element(xml, "c", "1");
    xmlout_pause(xml);
    fputs("  <by_hand/>\n", out);
    xmlout_close(xml);
    assert_written(out, HEAD "<a>\n <b>\n  <c>0</c>\n  <by_hand/>\n  <c>1</c>\n  <by_hand/>\n </b>\n</a>\n");
}

static void a_text_may_have_any_length(void **state)
{
    enum { LEN = 100000 };
    FILE *out = begin();
    xmlTextWriter *xml = xmlout_open(out);
    static char text[LEN + 1];
    (void)state;
    memset(text, 'x', LEN);
    xmlout_element(xml, "a", text);
    xmlout_close(xml);
    assert_int_equal(fclose(out), 0);
    const size_t head = sizeof HEAD "<a>" - 1;
    assert_int_equal(written_len, head + LEN + sizeof "</a>\n" - 1);
    assert_memory_equal(written + head, text, LEN);
    assert_string_equal(written + head + LEN, "</a>\n");
    free(written);
}

static int takes_one(void *ctx, const char *bytes, int len)
{
    int *calls = ctx;
    (void)bytes;
    assert_true(len > 0);
    return ++*calls == 1 ? len : -1;
}

static void a_sink_that_fails_gets_no_more(void **state)
{
    int calls = 0;
    xmlTextWriter *xml = xmlout_open_sink(takes_one, &calls);
    (void)state;
    xmlout_start(xml, "a");
    for (int i = 0; i < 4; i++) {
        xmlout_pause(xml);
        xmlout_element(xml, "b", "x");
    }
    xmlout_close(xml);
    assert_int_equal(calls, 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(elements_stand_one_in_another), cmocka_unit_test(texts_are_made_fit),
        cmocka_unit_test(rows_by_hand_stand_where_they_were_written),
        cmocka_unit_test(a_text_may_have_any_length), cmocka_unit_test(a_sink_that_fails_gets_no_more)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
