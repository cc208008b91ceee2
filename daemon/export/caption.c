#include "export/caption.h"

#include "core/instant.h"
#include "export/plain.h"

#include <inttypes.h>
#include <string.h>

void caption_open(struct caption *caption, FILE *out, enum caption_style style)
{
    *caption = (struct caption){.out = out, .style = style};
    if (style == CAPTION_WEBVTT)
        fputs("WEBVTT\n", out);
}

static void put_time(const struct caption *caption, int64_t ns)
{
    int64_t ms = ns / NS_PER_MS;
    fprintf(caption->out, "%02" PRId64 ":%02" PRId64 ":%02" PRId64 "%c%03" PRId64, ms / 3600000,
            ms / 60000 % 60, ms / 1000 % 60, caption->style == CAPTION_SRT ? ',' : '.', ms % 1000);
}

void caption_begin(struct caption *caption, const char *id, int64_t start_ns, int64_t end_ns)
{
    caption->cues++;
    if (caption->style == CAPTION_WEBVTT)
        fprintf(caption->out, "\n%s\n", id);
    else
        fprintf(caption->out, "%s%" PRIu64 "\n", caption->cues > 1 ? "\n" : "", caption->cues);
    put_time(caption, start_ns);
    fputs(" --> ", caption->out);
    put_time(caption, end_ns);
    fputc('\n', caption->out);
}

void caption_put(FILE *out, enum caption_style style, const char *text)
{
    static const char *const from = "&<>{";
    static const char *const vtt[] = {"&amp;", "&lt;", "&gt;", "{"};
    static const char *const srt[] = {"&", "\xE2\x80\xB9", "\xE2\x80\xBA", "("};
    char unit[PLAIN_UNIT];
    while ((text = plain_next(text, unit)) != NULL) {
        const char *special = strchr(from, unit[0]);
        if (special != NULL)
            fputs(style == CAPTION_WEBVTT ? vtt[special - from] : srt[special - from], out);
        else
            fputs(unit, out);
    }
}

void caption_text(struct caption *caption, const char *text)
{
    caption_put(caption->out, caption->style, text);
}

void caption_end(struct caption *caption)
{
    fputc('\n', caption->out);
}
