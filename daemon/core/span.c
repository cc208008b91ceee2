#include "core/span.h"

#include <string.h>

static uint32_t position_of(const struct watchfold *fold, const struct watch_fact *fact)
{
    for (uint32_t i = 0; i < fold->span_count; i++) {
        const struct watch_fact *open = &fold->entry[fold->span[i]].fact;
        if (open->kind == fact->kind && strcmp(open->label, fact->label) == 0)
            return i;
    }
    return WATCHFOLD_NONE;
}

static void open_span(struct watchfold *fold, uint32_t at)
{
    struct watch_entry *entry = &fold->entry[at];
    watchfold_open(fold, at, WATCH_OPENS_SPAN, &fold->last_span);
    if (entry->fact.kind == KEY_KIND_TRANSECT && entry->transect == 0)
        entry->transect = ++fold->last_transect;
    fold->out[at].object = entry->object;
}

void span_toggle(struct watchfold *fold, uint32_t at)
{
    const struct watch_fact *fact = &fold->entry[at].fact;
    uint32_t position = position_of(fold, fact);
    if (position != WATCHFOLD_NONE) {
        uint32_t opener = fold->span[position];
        watchfold_close(fold, opener, WATCH_CLOSE_KEY, fact->marker, fact->at);
        fold->out[at].object = fold->entry[opener].object;
        fold->span_count--;
        memmove(&fold->span[position], &fold->span[position + 1],
                (fold->span_count - position) * sizeof fold->span[0]);
    } else if (fold->span_count == WATCH_SPANS_MAX) {
        fold->out[at].note = WATCH_NOTE_TOO_MANY;
    } else {
        open_span(fold, at);
        fold->span[fold->span_count++] = at;
    }
}

static void close_spans(struct watchfold *fold, enum watch_close close, uint32_t by, utc_ns end)
{
    for (uint32_t i = 0; i < fold->span_count; i++)
        watchfold_close(fold, fold->span[i], close, by, end);
    fold->span_count = 0;
}

/* Off bottom and on deck always say that the bottom was left; in water says so when the vehicle was there. */
static bool leaves_bottom(enum dive_phase from, enum dive_phase to)
{
    return to == DIVE_PHASE_OFF_BOTTOM || to == DIVE_PHASE_ON_DECK ||
           (from == DIVE_PHASE_ON_BOTTOM && to != from);
}

void span_phase(struct watchfold *fold, uint32_t at)
{
    const struct watch_fact *fact = &fold->entry[at].fact;
    enum dive_phase from = DIVE_PHASE_NONE;
    if (fold->phase != WATCHFOLD_NONE)
        from = fold->entry[fold->phase].fact.phase;
    if (from == fact->phase) {
        fold->out[at].note = WATCH_NOTE_REPEATED;
        return;
    }
    if (leaves_bottom(from, fact->phase))
        close_spans(fold, WATCH_CLOSE_OFF_BOTTOM, fact->marker, fact->at);
    if (fold->phase != WATCHFOLD_NONE)
        watchfold_close(fold, fold->phase, WATCH_CLOSE_KEY, fact->marker, fact->at);
    open_span(fold, at);
    fold->phase = at;
}

void span_end(struct watchfold *fold)
{
    close_spans(fold, WATCH_CLOSE_DIVE_END, 0, fold->end);
    if (fold->phase != WATCHFOLD_NONE)
        watchfold_close(fold, fold->phase, WATCH_CLOSE_DIVE_END, 0, fold->end);
    fold->phase = WATCHFOLD_NONE;
}
