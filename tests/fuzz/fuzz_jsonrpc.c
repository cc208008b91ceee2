/*
 * Lines of JSON-RPC from anybody: parsed, checked against the table of methods, made into records. Whatever comes, the answer is
 * JSON, and a record that is handed to the engine reads back with its token and without a control byte that could end a field.
 * The first byte picks what is fuzzed: a line, a date-time, a token file.
 */
#include "io/request.h"
#include "io/tokens.h"
#include "io/utctext.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER 77

static void check(bool holds)
{
    if (!holds)
        abort();
}

static void check_response(const struct jsonrpc_call *call, enum jsonrpc_code code, const char *why)
{
    struct bytes out = {0};
    char *id = jsonrpc_id_text(call->id);
    jsonrpc_put_error(&out, id, code, why);
    json_t *root = json_loadb(out.at, out.len, JSON_REJECT_DUPLICATES, NULL);
    check(root != NULL && memchr(out.at, '\n', out.len) == NULL);
    json_decref(root);
    bytes_free(&out);
    free(id);
}

static void check_record(const struct request *request)
{
    struct fields fields;
    int64_t token = 0;
    check(fields_parse(&fields, request->record, request->record_len));
    check(fields_int(&fields, "token", &token) && token == NUMBER);
}

static void one_call(const json_t *member)
{
    static struct request request;
    struct jsonrpc_call call;
    char why[JSONRPC_WHY_SIZE] = "";
    enum jsonrpc_code code = jsonrpc_call_read(member, &call, why);
    if (code == JSONRPC_FINE)
        code = request_read(&call, NUMBER, &request, why);
    if (code == JSONRPC_FINE && request.kind == REQUEST_COMMAND)
        check_record(&request);
    check((code == JSONRPC_FINE) == (why[0] == '\0'));
    check_response(&call, code, why);
}

static void one_line(const char *line, size_t len)
{
    enum jsonrpc_code code;
    char why[JSONRPC_WHY_SIZE] = "";
    json_t *root = jsonrpc_parse(line, len, &code, why);
    check((root == NULL) == (code != JSONRPC_FINE));
    if (json_is_object(root))
        one_call(root);
    for (size_t i = 0; i < json_array_size(root); i++)
        one_call(json_array_get(root, i));
    json_decref(root);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size == 0 || size > 65536)
        return 0;
    const char *bytes = (const char *)data + 1;
    if (data[0] == 'u' || data[0] == 't') {
        char *text = calloc(1, size);
        memcpy(text, bytes, size - 1);
        char why[512] = "";
        utc_ns utc;
        if (data[0] == 'u' && utctext_parse(text, &utc))
            check(utc.ns >= 0);
        if (data[0] == 't') {
            struct tokens *tokens = tokens_parse("tokens", text, why, sizeof why);
            check((tokens == NULL) == (why[0] != '\0'));
            if (tokens != NULL)
                check(tokens_role(tokens, "short") == TOKEN_NONE);
            tokens_free(tokens);
        }
        free(text);
        return 0;
    }
    one_line(bytes, size - 1);
    return 0;
}
