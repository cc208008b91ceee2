/* Text made fit for any format: what is no UTF-8 or no XML character never gets through, what is text is left alone. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "export/caption.h"
#include "export/plain.h"

#include <stdlib.h>
#include <string.h>

#define BAD "\xEF\xBF\xBD"

static void each_kind_of_byte(void **state)
{
    static const struct {
        const char *text, *plain;
    } cases[] = {
        {"", ""},
        {"Fish", "Fish"},
        {"Gro\xC3\x9F", "Gro\xC3\x9F"},
        {"\xE2\x82\xAC \xF0\x9F\x90\x9F", "\xE2\x82\xAC \xF0\x9F\x90\x9F"},
        {"a\tb\nc\rd\x7F", "a b c d "},
        {"\xC2\x85", " "},                        /* a control character of two bytes */
        {"\xC0\xAF", BAD BAD},                    /* overlong */
        {"\xE0\x80\xAF", BAD BAD BAD},            /* overlong */
        {"\xF0\x80\x80\xAF", BAD BAD BAD BAD},    /* overlong */
        {"\xED\xA0\x80", BAD BAD BAD},            /* a surrogate */
        {"\xF4\x90\x80\x80", BAD BAD BAD BAD},    /* above U+10FFFF */
        {"\xF4\x8F\xBF\xBF", "\xF4\x8F\xBF\xBF"}, /* U+10FFFF */
        {"\xEF\xBF\xBE", " "},                    /* U+FFFE, which XML does not know */
        {"\xE2\x82", BAD BAD},                    /* cut */
        {"\x80\xFF", BAD BAD},
        {"\xC3"
         "A",
         BAD "A"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char out[64];
        plain_copy(out, sizeof out, cases[i].text);
        assert_string_equal(out, cases[i].plain);
    }
}

static void cut_between_characters(void **state)
{
    char out[4];
    (void)state;
    plain_copy(out, sizeof out, "ab\xC3\x9F");
    assert_string_equal(out, "ab");
    plain_copy(out, sizeof out, "a\xC3\x9F");
    assert_string_equal(out, "a\xC3\x9F");
    plain_copy(out, 1, "a");
    assert_string_equal(out, "");
}

/* Any bytes: what comes out is whole characters, comes out again unchanged, and never ends a cue. */
static void any_bytes(void **state)
{
    uint32_t seed = 20310304;
    (void)state;
    for (int round = 0; round < 20000; round++) {
        char text[24], once[128], twice[128];
        size_t len = 0;
        for (; len < sizeof text - 1; len++) {
            seed = seed * 1664525 + 1013904223;
            text[len] = (char)(seed >> 24);
        }
        text[len] = '\0';
        plain_copy(once, sizeof once, text);
        plain_copy(twice, sizeof twice, once);
        if (strcmp(once, twice) != 0)
            fail_msg("round %d of seed 20310304", round);
        for (const char *at = once; *at != '\0'; at++)
            assert_true((unsigned char)*at >= 0x20 && *at != 0x7F);
    }
}

static void captions_of_anything_hold_no_arrow(void **state)
{
    static const enum caption_style styles[] = {CAPTION_WEBVTT, CAPTION_SRT};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        char *bytes = NULL;
        size_t len = 0;
        FILE *out = open_memstream(&bytes, &len);
        caption_put(out, styles[i], "--> <v A> {\\an8} a\n\n2\n00:00 --> 00:01 &");
        fclose(out);
        assert_null(strstr(bytes, "-->"));
        assert_null(strchr(bytes, '<'));
        assert_null(strchr(bytes, '\n'));
        free(bytes);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_kind_of_byte),
        cmocka_unit_test(cut_between_characters),
        cmocka_unit_test(any_bytes),
        cmocka_unit_test(captions_of_anything_hold_no_arrow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
