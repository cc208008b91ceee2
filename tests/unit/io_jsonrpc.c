/*
 * JSON-RPC 2.0 over RFC 8259 texts, without a socket.
 *
 * Sources: the examples of section 7 of the JSON-RPC 2.0 Specification (2010-03-26, updated 2013-01-04), which are quoted by
 * their headings; RFC 8259 sections 2 to 9 for what is and is not a JSON text. The error codes are the table of section 5.1.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "io/request.h"
#include "io/utctext.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum jsonrpc_code parse(const char *text)
{
    enum jsonrpc_code code;
    char why[JSONRPC_WHY_SIZE];
    json_t *root = jsonrpc_parse(text, strlen(text), &code, why);
    assert_int_equal(root != NULL, code == JSONRPC_FINE);
    if (root == NULL)
        assert_true(strlen(why) > 0);
    json_decref(root);
    return code;
}

/* The code of a line with one request in it. */
static enum jsonrpc_code read_one(const char *text, bool *answered, char *id)
{
    enum jsonrpc_code code;
    char why[JSONRPC_WHY_SIZE];
    struct jsonrpc_call call;
    json_t *root = jsonrpc_parse(text, strlen(text), &code, why);
    assert_non_null(root);
    code = jsonrpc_call_read(root, &call, why);
    if (answered != NULL)
        *answered = call.id != NULL || code == JSONRPC_INVALID;
    if (id != NULL) {
        char *made = jsonrpc_id_text(call.id);
        snprintf(id, 64, "%s", made);
        free(made);
    }
    json_decref(root);
    return code;
}

static void specification_examples(void **state)
{
    (void)state;
    bool answered;
    char id[64];
    /* "rpc call with named parameters" */
    assert_int_equal(
        read_one("{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": {\"subtrahend\": 23, "
                 "\"minuend\": 42}, \"id\": 3}",
                 &answered, id),
        JSONRPC_FINE);
    assert_true(answered);
    assert_string_equal(id, "3");
    /* "rpc call with positional parameters": legal, but our params go by name */
    assert_int_equal(
        read_one("{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": [42, 23], \"id\": 1}",
                 &answered, id),
        JSONRPC_PARAMS);
    assert_true(answered);
    assert_string_equal(id, "1");
    /* "a Notification" */
    assert_int_equal(read_one("{\"jsonrpc\": \"2.0\", \"method\": \"foobar\"}", &answered, NULL),
                     JSONRPC_FINE);
    assert_false(answered);
    /* "rpc call of non-existent method" carries its id; the method is judged later */
    assert_int_equal(read_one("{\"jsonrpc\": \"2.0\", \"method\": \"foobar\", \"id\": \"1\"}", &answered, id),
                     JSONRPC_FINE);
    assert_string_equal(id, "\"1\"");
    /* "rpc call with invalid JSON" */
    assert_int_equal(parse("{\"jsonrpc\": \"2.0\", \"method\": \"foobar, \"params\": \"bar\", \"baz]"),
                     JSONRPC_PARSE);
    /* "rpc call with invalid Request object" */
    assert_int_equal(read_one("{\"jsonrpc\": \"2.0\", \"method\": 1, \"params\": \"bar\"}", &answered, id),
                     JSONRPC_INVALID);
    assert_true(answered);
    assert_string_equal(id, "null");
    /* "rpc call Batch, invalid JSON" */
    assert_int_equal(parse("[{\"jsonrpc\": \"2.0\", \"method\": \"sum\", \"params\": [1,2,4], \"id\": \"1\"},"
                           "{\"jsonrpc\": \"2.0\", \"method\"]"),
                     JSONRPC_PARSE);
    /* "rpc call with an empty Array" */
    assert_int_equal(parse("[]"), JSONRPC_INVALID);
    /* "rpc call with an invalid Batch (but not empty)": the batch stands, its members are invalid one by one */
    assert_int_equal(parse("[1,2,3]"), JSONRPC_FINE);
    struct jsonrpc_call call;
    char why[JSONRPC_WHY_SIZE];
    json_t *one = json_integer(1);
    assert_int_equal(jsonrpc_call_read(one, &call, why), JSONRPC_INVALID);
    json_decref(one);
}

/* Section 4: the members of a request object. */
static void request_objects(void **state)
{
    (void)state;
    bool answered;
    char id[64];
    static const char *const invalid[] = {
        "{\"method\":\"status\",\"id\":1}",                 /* no jsonrpc */
        "{\"jsonrpc\":2.0,\"method\":\"status\",\"id\":1}", /* a number is not the text "2.0" */
        "{\"jsonrpc\":\"2\",\"method\":\"status\",\"id\":1}",
        "{\"jsonrpc\":\"2.0\",\"id\":1}", /* no method */
        "{\"jsonrpc\":\"2.0\",\"method\":null,\"id\":1}",
        "{\"jsonrpc\":\"2.0\",\"method\":\"status\",\"params\":null,\"id\":1}", /* params may be omitted, not null */
        "{\"jsonrpc\":\"2.0\",\"method\":\"status\",\"params\":3,\"id\":1}",
    };
    for (size_t i = 0; i < sizeof invalid / sizeof invalid[0]; i++) {
        assert_int_equal(read_one(invalid[i], &answered, id), JSONRPC_INVALID);
        assert_true(answered);
        assert_string_equal(id, "1");
    }
    /* an id that is no text, number or null cannot be repeated: the answer has null */
    assert_int_equal(read_one("{\"jsonrpc\":\"2.0\",\"method\":\"status\",\"id\":[1]}", &answered, id),
                     JSONRPC_INVALID);
    assert_string_equal(id, "null");
    assert_int_equal(read_one("{\"jsonrpc\":\"2.0\",\"method\":\"status\",\"id\":true}", &answered, id),
                     JSONRPC_INVALID);
    /* null is an id, if a discouraged one: it is answered */
    assert_int_equal(read_one("{\"jsonrpc\":\"2.0\",\"method\":\"status\",\"id\":null}", &answered, id),
                     JSONRPC_FINE);
    assert_true(answered);
    assert_string_equal(id, "null");
    assert_int_equal(
        read_one("{\"jsonrpc\":\"2.0\",\"method\":\"status\",\"params\":[],\"id\":1.5}", &answered, id),
        JSONRPC_FINE);
    assert_string_equal(id, "1.5");
}

/* RFC 8259: texts that no parser may take, texts that every parser must. */
static void json_texts(void **state)
{
    (void)state;
    static const char *const bad[] = {
        "",            /* section 2: a text is a value */
        "{",           /* unclosed */
        "{\"a\":1,}",  /* section 4: no comma before the end */
        "[1,]",        /* section 5 */
        "{'a':1}",     /* section 7: strings have quotation marks */
        "{a:1}",       /* names are strings */
        "{\"a\":01}",  /* section 6: no leading zeros */
        "{\"a\":+1}",  /* no plus */
        "{\"a\":.5}",  /* an integer part is needed */
        "{\"a\":1.}",  /* digits follow the point */
        "{\"a\":NaN}", /* NaN and Infinity are not permitted */
        "{\"a\":Infinity}",
        "{\"a\":TRUE}",             /* section 3: literal names are lower case */
        "{\"a\":\"\t\"}",           /* section 7: control characters are escaped */
        "{\"a\":\"\\x41\"}",        /* no such escape */
        "{\"a\":\"\\u12\"}",        /* four hex digits */
        "{\"a\":\"\xff\"}",         /* section 8.1: UTF-8 */
        "{\"a\":\"\xc0\xaf\"}",     /* overlong form */
        "{\"a\":\"\xed\xa0\x80\"}", /* a surrogate as UTF-8 */
        "\xef\xbb\xbf{\"a\":1}",    /* section 8.1: no byte order mark */
        "{} {}",                    /* one text a line */
        "// no comments\n{}",
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        if (parse(bad[i]) != JSONRPC_PARSE)
            fail_msg("taken: %s", bad[i]);
    /* section 2: no NUL between or after tokens */
    enum jsonrpc_code code;
    char why[JSONRPC_WHY_SIZE];
    static const char nul[] = "{\"a\":1\0}";
    assert_null(jsonrpc_parse(nul, sizeof nul - 1, &code, why));
    assert_int_equal(code, JSONRPC_PARSE);
    static const char *const good[] = {
        " \t\r\n{ } ",
        "{\"a\":-0}",
        "{\"a\":1e+2}",
        "{\"a\":1E-2}",
        "{\"a\":\"\\ud834\\udd1e\"}",   /* section 7: a surrogate pair in escapes */
        "{\"a\":\"\xf0\x9d\x84\x9e\"}", /* the same character in UTF-8 */
        "{\"a\":\"\\\"\\\\\\/\\b\\f\\n\\r\\t\"}",
        "{\"\":{\"a\":[[],{}]}}",
    };
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        if (parse(good[i]) != JSONRPC_FINE)
            fail_msg("refused: %s", good[i]);
    /* JSON texts, but not requests; and what we do not take although RFC 8259 leaves it open */
    static const char *const invalid[] = {
        "1", "\"text\"", "null", "{\"a\":1,\"a\":2}", "{\"a\":\"\\u0000\"}", "{\"a\":99999999999999999999}"};
    for (size_t i = 0; i < sizeof invalid / sizeof invalid[0]; i++)
        if (parse(invalid[i]) != JSONRPC_INVALID)
            fail_msg("not invalid: %s", invalid[i]);
}

static void deep_nesting_is_refused(void **state)
{
    (void)state;
    enum { DEEP = 30000 };
    char *text = malloc(DEEP + 1);
    memset(text, '[', DEEP);
    text[DEEP] = '\0';
    assert_int_not_equal(parse(text), JSONRPC_FINE);
    free(text);
}

static void batches_have_a_limit(void **state)
{
    (void)state;
    char text[JSONRPC_BATCH_MAX * 2 + 8] = "[1";
    for (int i = 1; i < JSONRPC_BATCH_MAX; i++)
        strcat(text, ",1");
    char more[sizeof text + 4];
    snprintf(more, sizeof more, "%s,1]", text);
    strcat(text, "]");
    assert_int_equal(parse(text), JSONRPC_FINE);
    assert_int_equal(parse(more), JSONRPC_INVALID);
}

static void responses_are_json(void **state)
{
    (void)state;
    struct bytes out = {0};
    jsonrpc_put_error(&out, "\"a\\\"b\"", -32601, "no \"x\"\n\x01 and \xff bytes");
    json_error_t error;
    json_t *root = json_loadb(out.at, out.len, 0, &error);
    assert_non_null(root);
    assert_int_equal(json_object_size(root), 3);
    assert_string_equal(json_string_value(json_object_get(root, "id")), "a\"b");
    const json_t *inside = json_object_get(root, "error");
    assert_int_equal(json_integer_value(json_object_get(inside, "code")), -32601);
    assert_string_equal(json_string_value(json_object_get(inside, "message")),
                        "no \"x\"\n\x01 and \xef\xbf\xbd bytes");
    json_decref(root);
    bytes_clear(&out);
    jsonrpc_put_result(&out, "7", "[1]", 3);
    assert_string_equal(out.at, "{\"jsonrpc\":\"2.0\",\"id\":7,\"result\":[1]}");
    bytes_free(&out);
}

/* -- methods -- */

static struct request request;
static char why[JSONRPC_WHY_SIZE];

static enum jsonrpc_code ask(const char *method, const char *params)
{
    json_error_t error;
    json_t *root = json_loads(params, 0, &error);
    assert_non_null(root);
    struct jsonrpc_call call = {.method = method, .params = root};
    memset(&request, 0x5a, sizeof request);
    enum jsonrpc_code code = request_read(&call, 77, &request, why);
    json_decref(root);
    return code;
}

static void is_record(const char *expected)
{
    char shown[FIELDS_BYTES_MAX];
    assert_int_equal(request.kind, REQUEST_COMMAND);
    memcpy(shown, request.record, request.record_len);
    shown[request.record_len] = '\0';
    for (char *at = shown; *at != '\0'; at++)
        if (*at == FIELDS_SEPARATOR)
            *at = '|';
    assert_string_equal(shown, expected);
    struct fields fields;
    assert_true(fields_parse(&fields, request.record, request.record_len));
}

static void commands_become_records(void **state)
{
    (void)state;
    assert_int_equal(ask("press", "{\"note\":\"two, small\",\"key\":\"A1\",\"seat\":\"science\"}"),
                     JSONRPC_FINE);
    is_record("op=press|token=77|key=A1|seat=science|note=two, small");
    assert_true(request.writes);
    assert_false(request.new_dive);
    assert_int_equal(ask("press", "{\"key\":\"A1\",\"ago_s\":20.5,\"by\":\"R. Ode\"}"), JSONRPC_FINE);
    is_record("op=press|token=77|key=A1|ago_ns=20500000000|by=R. Ode");
    /* RFC 3339 section 5.8 gives these two as examples */
    assert_int_equal(ask("press", "{\"key\":\"A1\",\"at_utc\":\"1985-04-12T23:20:50.52Z\"}"), JSONRPC_FINE);
    is_record("op=press|token=77|key=A1|at_utc=482196050520000000");
    assert_int_equal(ask("press", "{\"key\":\"A1\",\"at_utc\":\"1996-12-19T16:39:57-08:00\"}"), JSONRPC_FINE);
    is_record("op=press|token=77|key=A1|at_utc=851042397000000000");
    assert_int_equal(ask("press", "{\"key\":\"A1\",\"at_timecode\":\"05:06:07:02\"}"), JSONRPC_FINE);
    is_record("op=press|token=77|key=A1|at_timecode=05:06:07:02");
    assert_int_equal(ask("sample", "{\"container\":\"box 3\",\"note\":\"\"}"), JSONRPC_FINE);
    is_record("op=sample|token=77|container=box 3|note=");
    assert_int_equal(ask("dive.begin", "{\"id\":\"D007\",\"site\":\"North wall\"}"), JSONRPC_FINE);
    is_record("op=dive.begin|token=77|id=D007|site=North wall");
    assert_true(request.new_dive);
    assert_int_equal(request.query.kind, SOCKET_QUERY_DIVE_KNOWN);
    assert_string_equal(request.query.dive, "D007");
    assert_int_equal(ask("dive.end", "{}"), JSONRPC_FINE);
    is_record("op=dive.end|token=77");
    assert_int_equal(ask("strike", "{\"ref\":\"last\",\"undo\":true}"), JSONRPC_FINE);
    is_record("op=strike|token=77|ref=last|undo=1");
    assert_int_equal(ask("seat", "{\"seat\":\"nav\",\"who\":\"\"}"), JSONRPC_FINE);
    is_record("op=seat|token=77|seat=nav|who=");
    assert_int_equal(ask("identify", "{\"ref\":\"S31\",\"name\":\"Aphia\",\"qualifier\":\"cf. minuta\"}"),
                     JSONRPC_FINE);
    is_record("op=identify|token=77|ref=S31|name=Aphia|qualifier=cf. minuta");
}

static void the_longest_texts_fit_a_record(void **state)
{
    (void)state;
    char params[FIELDS_BYTES_MAX];
    char text[2048];
    memset(text, 'x', 2047);
    text[2047] = '\0';
    snprintf(params, sizeof params, "{\"ref\":\"M1\",\"text\":\"%s\"}", text);
    assert_int_equal(ask("remark", params), JSONRPC_FINE);
    assert_true(request.record_len > 2047);
    snprintf(params, sizeof params, "{\"ref\":\"M1\",\"text\":\"%sx\"}", text);
    assert_int_equal(ask("remark", params), JSONRPC_PARAMS);
    assert_non_null(strstr(why, "2047"));
}

static void wrong_params_are_named(void **state)
{
    (void)state;
    static const struct {
        const char *method, *params, *says;
    } cases[] = {
        {"press", "{}", "key is missing"},
        {"press", "{\"key\":5}", "key must be a text"},
        {"press", "{\"key\":\"\"}", "key is empty"},
        {"press", "{\"key\":\"A1\",\"ago\":3}", "accepted: key seat note target ago_s"},
        {"press", "{\"key\":\"A1\",\"ago_s\":-1}", "ago_s must be"},
        {"press", "{\"key\":\"A1\",\"ago_s\":1,\"at_timecode\":\"00:00:00:00\"}", "one of them"},
        {"press", "{\"key\":\"A1\",\"at_utc\":\"yesterday\"}", "2031-03-04T05:06:07.089Z"},
        {"press", "{\"key\":\"A\\u001f1\"}", "control character"},
        {"press", "{\"key\":\"A1\",\"note\":\"\\u001b[2J\"}", "control character"},
        {"status", "{\"all\":true}", "accepted: none"},
        {"dive.begin", "{\"id\":\"D 7\"}", "begins with a letter or digit"},
        {"dive.begin", "{\"id\":\"-7\"}", "begins with a letter or digit"},
        {"dive.begin", "{\"id\":\"0123456789012345678901234567890X\"}", "longer than 31 bytes"},
        {"subscribe", "{\"since\":-1}", "0 or more"},
        {"subscribe", "{\"since\":1.5}", "0 or more"},
        {"subscribe", "{\"types\":[]}", "array of names"},
        {"subscribe", "{\"types\":[\"marker\",\"whale\"]}", "marker settled sighting"},
        {"markers", "{\"limit\":0}", "1 to 10000"},
        {"markers", "{\"limit\":10001}", "1 to 10000"},
        {"markers", "{\"newest\":1}", "true or false"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        assert_int_equal(ask(cases[i].method, cases[i].params), JSONRPC_PARAMS);
        if (strstr(why, cases[i].says) == NULL)
            fail_msg("%s %s: \"%s\" does not say \"%s\"", cases[i].method, cases[i].params, why,
                     cases[i].says);
    }
    assert_int_equal(ask("mark", "{}"), JSONRPC_NO_METHOD);
    assert_non_null(strstr(why, "\"mark\""));
}

static void subscriptions_and_queries(void **state)
{
    (void)state;
    assert_int_equal(ask("subscribe", "{}"), JSONRPC_FINE);
    assert_false(request.has_since);
    assert_int_equal(request.types, (UINT32_C(1) << ENTRY_TYPES) - 1);
    assert_false(request.writes);
    assert_int_equal(ask("subscribe", "{\"since\":9007199254740991,\"types\":[\"marker\",\"strike\"]}"),
                     JSONRPC_FINE);
    assert_true(request.has_since);
    assert_true(request.since == INT64_C(9007199254740991));
    assert_int_equal(request.types, UINT32_C(1) << ENTRY_MARKER | UINT32_C(1) << ENTRY_STRIKE);
    assert_int_equal(ask("markers", "{}"), JSONRPC_FINE);
    assert_string_equal(request.query.dive, "");
    assert_true(request.query.after == 0 && request.query.limit == 1000 && !request.query.newest);
    assert_int_equal(ask("samples", "{\"dive\":\"D007\",\"after\":12,\"limit\":5,\"newest\":true}"),
                     JSONRPC_FINE);
    assert_int_equal(request.query.kind, SOCKET_QUERY_SAMPLES);
    assert_string_equal(request.query.dive, "D007");
    assert_true(request.query.after == 12 && request.query.limit == 5 && request.query.newest);
    assert_int_equal(ask("hello", "{\"token\":\"0123456789abcdef\"}"), JSONRPC_FINE);
    assert_string_equal(request.token, "0123456789abcdef");
}

static void utc_texts(void **state)
{
    (void)state;
    utc_ns utc;
    /* RFC 3339 section 5.8: a leap second, in two zones */
    assert_true(utctext_parse("1990-12-31T23:59:60Z", &utc));
    assert_true(utc.ns == INT64_C(662687999999999999));
    assert_true(utctext_parse("1990-12-31T15:59:60-08:00", &utc));
    assert_true(utc.ns == INT64_C(662687999999999999));
    assert_true(utctext_parse("1937-01-01T12:00:27.87+00:20", &utc) == false); /* before 1970: not ours */
    assert_true(utctext_parse("2000-02-29t00:00:00z", &utc));
    assert_true(utc.ns == INT64_C(951782400000000000));
    assert_true(utctext_parse("2031-03-04 05:06:07.0891234567Z", &utc));
    assert_true(utc.ns == INT64_C(1930367167089123456));
    static const char *const bad[] = {"",
                                      "2031-03-04",
                                      "2031-03-04T05:06Z",
                                      "2031-03-04T05:06:07",
                                      "2031-02-29T00:00:00Z",
                                      "2100-02-29T00:00:00Z",
                                      "2031-13-01T00:00:00Z",
                                      "2031-00-01T00:00:00Z",
                                      "2031-01-32T00:00:00Z",
                                      "2031-01-01T24:00:00Z",
                                      "2031-01-01T00:60:00Z",
                                      "2031-01-01T00:00:61Z",
                                      "2031-01-01T00:00:00.Z",
                                      "2031-01-01T00:00:00+1:00",
                                      "2031-01-01T00:00:00+24:00",
                                      "2031-01-01T00:00:00Z ",
                                      "12031-01-01T00:00:00Z"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        if (utctext_parse(bad[i], &utc))
            fail_msg("taken: %s", bad[i]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(specification_examples),
        cmocka_unit_test(request_objects),
        cmocka_unit_test(json_texts),
        cmocka_unit_test(deep_nesting_is_refused),
        cmocka_unit_test(batches_have_a_limit),
        cmocka_unit_test(responses_are_json),
        cmocka_unit_test(commands_become_records),
        cmocka_unit_test(the_longest_texts_fit_a_record),
        cmocka_unit_test(wrong_params_are_named),
        cmocka_unit_test(subscriptions_and_queries),
        cmocka_unit_test(utc_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
