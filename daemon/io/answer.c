#include "io/answer.h"

#include "io/session.h"

#include <stdlib.h>

struct batch {
    unsigned open;
    bool sealed;
    struct bytes text; /* responses so far, with commas between */
};

struct batch *batch_new(void)
{
    return calloc(1, sizeof(struct batch));
}

static void batch_end(struct batch *batch, struct session *session)
{
    if (batch->open > 0 || !batch->sealed)
        return;
    if (batch->text.len > 0 && !batch->text.failed) {
        struct bytes *out = &session->io.replies;
        bytes_text(out, "[");
        bytes_put(out, batch->text.at, batch->text.len);
        bytes_text(out, "]\n");
        session_touch(session);
    }
    bytes_free(&batch->text);
    free(batch);
}

void batch_seal(struct batch *batch, struct session *session)
{
    batch->sealed = true;
    batch_end(batch, session);
}

struct answer answer_make(struct session *session, struct batch *batch, char *id)
{
    session_take(session);
    session->open_answers++;
    if (batch != NULL)
        batch->open++;
    return (struct answer){.session = session, .batch = batch, .id = id};
}

static void end(struct answer *answer)
{
    struct session *session = answer->session;
    session->open_answers--;
    free(answer->id);
    if (answer->batch != NULL) {
        answer->batch->open--;
        batch_end(answer->batch, session);
    }
    *answer = (struct answer){0};
    session_touch(session);
    session_drop(session);
}

/* Where the response is written; NULL: nowhere. */
static struct bytes *target(const struct answer *answer)
{
    if (answer->id == NULL || answer->session->io.closing)
        return NULL;
    if (answer->batch == NULL)
        return &answer->session->io.replies;
    if (answer->batch->text.len > 0)
        bytes_text(&answer->batch->text, ",");
    return &answer->batch->text;
}

void answer_result(struct answer *answer, const char *result, size_t len)
{
    struct bytes *out = target(answer);
    if (out != NULL) {
        jsonrpc_put_result(out, answer->id, result, len);
        if (answer->batch == NULL)
            bytes_text(out, "\n");
    }
    end(answer);
}

void answer_error(struct answer *answer, int code, const char *message)
{
    struct bytes *out = target(answer);
    if (out != NULL) {
        jsonrpc_put_error(out, answer->id, code, message);
        if (answer->batch == NULL)
            bytes_text(out, "\n");
    }
    end(answer);
}

void answer_drop(struct answer *answer)
{
    end(answer);
}
