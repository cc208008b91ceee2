#include "io/subscription.h"

#include <stdlib.h>
#include <string.h>

void piece_add(struct piece *piece, int64_t seq, const char *json, size_t len)
{
    if (piece->count == piece->size) {
        size_t size = piece->size == 0 ? 64 : piece->size * 2;
        struct piece_line *line = realloc(piece->line, size * sizeof *line);
        if (line == NULL) {
            piece->bytes.failed = true;
            return;
        }
        piece->line = line;
        piece->size = size;
    }
    event_text_wrap(&piece->bytes, json, len);
    piece->line[piece->count++] = (struct piece_line){.end = piece->bytes.len, .seq = seq};
    piece->next = seq + 1;
}

void piece_free(struct piece *piece)
{
    bytes_free(&piece->bytes);
    free(piece->line);
    *piece = (struct piece){0};
}

static void piece_clear(struct piece *piece)
{
    bytes_clear(&piece->bytes);
    piece->count = 0;
    piece->next = 0;
}

static size_t line_start(const struct subscription *sub)
{
    return sub->piece_line == 0 ? 0 : sub->piece.line[sub->piece_line - 1].end;
}

static bool in_a_line(const struct subscription *sub)
{
    return sub->piece_line < sub->piece.count && sub->piece_at > line_start(sub);
}

static void forget_piece(struct subscription *sub)
{
    piece_free(&sub->piece);
    sub->piece_at = sub->piece_line = 0;
}

/* Sent to its end: the memory is kept for the next one, because fresh pages cost more than what is written to them. */
static void spend_piece(struct subscription *sub)
{
    piece_free(&sub->spent);
    sub->spent = sub->piece;
    piece_clear(&sub->spent);
    sub->piece = (struct piece){0};
    sub->piece_at = sub->piece_line = 0;
}

struct piece subscription_take_spent(struct subscription *sub)
{
    struct piece spent = sub->spent;
    sub->spent = (struct piece){0};
    return spent;
}

/* The begun line of the piece becomes the carry, so that the piece can go. Without memory for it the line is lost; the peer
 * then sees a torn line, which the closing of its connection explains. */
static void carry_line(struct subscription *sub)
{
    if (!in_a_line(sub))
        return;
    const struct piece_line *line = &sub->piece.line[sub->piece_line];
    size_t len = line->end - sub->piece_at;
    struct event_text *rest = malloc(sizeof *rest + len);
    if (rest == NULL)
        return;
    *rest = (struct event_text){.references = 1, .seq = line->seq, .len = len};
    memcpy(rest->bytes, sub->piece.bytes.at + sub->piece_at, len);
    sub->carry = rest;
    sub->carry_at = 0;
    sub->next = line->seq + 1;
}

void subscription_end(struct subscription *sub)
{
    carry_line(sub);
    forget_piece(sub);
    piece_free(&sub->spent);
    sub->on = false;
}

void subscription_begin(struct subscription *sub, int64_t since, uint32_t types)
{
    subscription_end(sub);
    sub->on = true;
    sub->types = types;
    sub->next = since + 1;
}

void subscription_free(struct subscription *sub)
{
    forget_piece(sub);
    piece_free(&sub->spent);
    event_text_drop(sub->carry);
    *sub = (struct subscription){0};
}

bool subscription_is_dry(const struct subscription *sub)
{
    return sub->piece_line == sub->piece.count;
}

bool subscription_wants_piece(const struct subscription *sub, const struct event_log *log)
{
    return sub->on && subscription_is_dry(sub) && sub->next < log->first;
}

void subscription_give(struct subscription *sub, struct piece *piece)
{
    forget_piece(sub);
    sub->piece = *piece;
    *piece = (struct piece){0};
    if (sub->piece.count == 0) {
        sub->next = sub->piece.next;
        forget_piece(sub);
    }
}

bool subscription_rest(const struct subscription *sub, struct iovec *out)
{
    if (sub->carry != NULL) {
        *out = (struct iovec){.iov_base = sub->carry->bytes + sub->carry_at,
                              .iov_len = sub->carry->len - sub->carry_at};
        return true;
    }
    if (!in_a_line(sub))
        return false;
    *out = (struct iovec){.iov_base = sub->piece.bytes.at + sub->piece_at,
                          .iov_len = sub->piece.line[sub->piece_line].end - sub->piece_at};
    return true;
}

static bool wanted(const struct subscription *sub, const struct event_text *text)
{
    return (sub->types >> text->type & 1) != 0;
}

static size_t gather_live(struct subscription *sub, const struct event_log *log, struct iovec *out,
                          size_t max)
{
    struct event_text *text;
    if (sub->spent.bytes.at != NULL && sub->next >= log->first) /* caught up: no piece will come */
        piece_free(&sub->spent);
    while ((text = event_log_at(log, sub->next)) != NULL && !wanted(sub, text))
        sub->next++;
    size_t count = 0;
    for (int64_t seq = sub->next; count < max && (text = event_log_at(log, seq)) != NULL; seq++)
        if (wanted(sub, text))
            out[count++] = (struct iovec){.iov_base = text->bytes, .iov_len = text->len};
    return count;
}

size_t subscription_gather(struct subscription *sub, const struct event_log *log, struct iovec *out,
                           size_t max)
{
    size_t count = 0;
    if (sub->carry != NULL && max > 0 && subscription_rest(sub, &out[0]))
        count = 1;
    if (sub->piece_line < sub->piece.count && count < max) {
        out[count++] = (struct iovec){.iov_base = sub->piece.bytes.at + sub->piece_at,
                                      .iov_len = sub->piece.bytes.len - sub->piece_at};
        return count;
    }
    return sub->on ? count + gather_live(sub, log, out + count, max - count) : count;
}

static size_t sent_carry(struct subscription *sub, size_t len)
{
    size_t left = sub->carry->len - sub->carry_at;
    if (len < left) {
        sub->carry_at += len;
        return len;
    }
    event_text_drop(sub->carry);
    sub->carry = NULL;
    sub->carry_at = 0;
    return left;
}

static size_t sent_piece(struct subscription *sub, size_t len)
{
    size_t left = sub->piece.bytes.len - sub->piece_at;
    size_t part = len < left ? len : left;
    sub->piece_at += part;
    while (sub->piece_line < sub->piece.count && sub->piece.line[sub->piece_line].end <= sub->piece_at)
        sub->next = sub->piece.line[sub->piece_line++].seq + 1;
    if (sub->piece_line == sub->piece.count) {
        sub->next = sub->piece.next;
        spend_piece(sub);
    }
    return part;
}

static void sent_live(struct subscription *sub, const struct event_log *log, size_t len)
{
    struct event_text *text;
    while (len > 0 && (text = event_log_at(log, sub->next)) != NULL) {
        sub->next++;
        if (!wanted(sub, text))
            continue;
        if (len < text->len) {
            sub->carry = event_text_take(text);
            sub->carry_at = len;
            return;
        }
        len -= text->len;
    }
}

void subscription_sent(struct subscription *sub, const struct event_log *log, size_t len)
{
    if (len > 0 && sub->carry != NULL)
        len -= sent_carry(sub, len);
    if (len > 0 && sub->piece_line < sub->piece.count)
        len -= sent_piece(sub, len);
    if (len > 0)
        sent_live(sub, log, len);
}
