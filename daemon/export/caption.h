/*
 * caption: cues of WebVTT and of SRT, written by one hand. A cue is caption_begin(), texts, caption_end().
 *
 * WebVTT is the W3C Candidate Recommendation of 4 April 2019: `&`, `<` and `>` are escaped. SRT has no published standard; players
 * take `<`, `>` and `{` for markup and know no escape, so these become the look-alikes of U+2039, U+203A and `(`, and nothing in a
 * text can end a cue or begin another.
 */
#ifndef BELLROPE_EXPORT_CAPTION_H
#define BELLROPE_EXPORT_CAPTION_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

enum caption_style { CAPTION_WEBVTT, CAPTION_SRT };

struct caption {
    FILE *out;
    enum caption_style style;
    uint64_t cues;
};

/* WebVTT: the signature. */
void caption_open(struct caption *caption, FILE *out, enum caption_style style);
/* Times in ns since the video's first frame, not negative, written rounded down to ms. `id` is for WebVTT; SRT counts. */
void caption_begin(struct caption *caption, const char *id, int64_t start_ns, int64_t end_ns);
void caption_text(struct caption *caption, const char *text);
void caption_end(struct caption *caption);

/* The escaping alone. */
void caption_put(FILE *out, enum caption_style style, const char *text);

#endif
