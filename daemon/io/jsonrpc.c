#include "io/jsonrpc.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Texts that are JSON by RFC 8259 but that we do not take are invalid requests; all else that does not parse is a parse error. */
static enum jsonrpc_code code_of(enum json_error_code error)
{
    switch (error) {
    case json_error_duplicate_key:
    case json_error_null_character:
    case json_error_null_byte_in_key:
    case json_error_numeric_overflow:
    case json_error_stack_overflow:
        return JSONRPC_INVALID;
    default:
        return JSONRPC_PARSE;
    }
}

json_t *jsonrpc_parse(const char *line, size_t len, enum jsonrpc_code *code, char why[JSONRPC_WHY_SIZE])
{
    json_error_t error;
    const char *nul = memchr(line, '\0', len);
    if (nul != NULL) { /* jansson passes over one that follows a number */
        *code = JSONRPC_PARSE;
        snprintf(why, JSONRPC_WHY_SIZE, "not one JSON text a line: a NUL byte at column %zu",
                 (size_t)(nul - line) + 1);
        return NULL;
    }
    json_t *root = json_loadb(line, len, JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, &error);
    *code = JSONRPC_INVALID;
    if (root == NULL) {
        *code = code_of(json_error_code(&error));
        snprintf(why, JSONRPC_WHY_SIZE, "not one JSON text a line: %s at column %d", error.text,
                 error.column);
        return NULL;
    }
    size_t members = json_array_size(root);
    if (json_is_object(root) || (members > 0 && members <= JSONRPC_BATCH_MAX)) {
        *code = JSONRPC_FINE;
        return root;
    }
    if (!json_is_array(root))
        snprintf(why, JSONRPC_WHY_SIZE, "a request is an object, or an array of them");
    else if (members == 0)
        snprintf(why, JSONRPC_WHY_SIZE, "the batch is empty");
    else
        snprintf(why, JSONRPC_WHY_SIZE, "a batch of %zu requests; at most %d are taken", members,
                 JSONRPC_BATCH_MAX);
    json_decref(root);
    return NULL;
}

static bool id_is_sound(const json_t *id)
{
    return json_is_string(id) || json_is_number(id) || json_is_null(id);
}

enum jsonrpc_code jsonrpc_call_read(const json_t *member, struct jsonrpc_call *call,
                                    char why[JSONRPC_WHY_SIZE])
{
    *call = (struct jsonrpc_call){0};
    if (!json_is_object(member)) {
        snprintf(why, JSONRPC_WHY_SIZE, "a request is an object");
        return JSONRPC_INVALID;
    }
    const json_t *id = json_object_get(member, "id");
    if (id != NULL && !id_is_sound(id)) {
        snprintf(why, JSONRPC_WHY_SIZE, "id must be a text, a number or null");
        return JSONRPC_INVALID;
    }
    call->id = id;
    const char *version = json_string_value(json_object_get(member, "jsonrpc"));
    if (version == NULL || strcmp(version, "2.0") != 0) {
        snprintf(why, JSONRPC_WHY_SIZE, "jsonrpc must be \"2.0\"");
        return JSONRPC_INVALID;
    }
    call->method = json_string_value(json_object_get(member, "method"));
    if (call->method == NULL) {
        snprintf(why, JSONRPC_WHY_SIZE, "method must be a text");
        return JSONRPC_INVALID;
    }
    call->params = json_object_get(member, "params");
    if (call->params == NULL || json_is_object(call->params))
        return JSONRPC_FINE;
    bool no_more = json_is_array(call->params) && json_array_size(call->params) == 0;
    if (no_more) {
        call->params = NULL;
        return JSONRPC_FINE;
    }
    bool by_position = json_is_array(call->params);
    call->params = NULL;
    snprintf(why, JSONRPC_WHY_SIZE,
             by_position ? "params go by name: an object" : "params must be an object");
    return by_position ? JSONRPC_PARAMS : JSONRPC_INVALID;
}

char *jsonrpc_id_text(const json_t *id)
{
    if (id == NULL)
        return strdup("null");
    return json_dumps(id, JSON_ENCODE_ANY | JSON_COMPACT);
}

void jsonrpc_put_result(struct bytes *out, const char *id, const char *result, size_t result_len)
{
    bytes_text(out, "{\"jsonrpc\":\"2.0\",\"id\":");
    bytes_text(out, id);
    bytes_text(out, ",\"result\":");
    bytes_put(out, result, result_len);
    bytes_text(out, "}");
}

void jsonrpc_put_error(struct bytes *out, const char *id, int code, const char *message)
{
    bytes_print(out, "{\"jsonrpc\":\"2.0\",\"id\":%s,\"error\":{\"code\":%d,\"message\":", id, code);
    bytes_json_text(out, message);
    bytes_text(out, "}}");
}
