/*
 * edl: sightings as a cut list, in the layout of SMPTE 258M (columns measured on lists in circulation; the standard was not read).
 *
 *   TITLE: D007
 *   FCM: DROP FRAME
 *   001  AX       V     C        09:59:50;10 10:00:02;00 01:00:00;00 01:00:11;18
 *
 * Event at column 1, reel 6, track 15, transition 21, source in 30, source out 42, record in 54, record out 66. Outs are exclusive, both
 * durations match, the record side runs on from 01:00:00:00. An event begins the key's lead before the first press and ends where the
 * sighting ends. The list has one rate, that of the first marker with a timecode; it says drop-frame or not, which is all that the layout
 * has room for. A list holds events 001 to 999: a longer dive goes into several files.
 */
#include "export/stands.h"
#include "export/videoclock.h"

#include <ctype.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define EVENTS_MAX 999
#define HAIR_FRAMES 1e-6       /* sums of fractions that mean the start of a frame end a hair before it */
#define JUMP_NS (2 * NS_PER_S) /* frames and UTC differ by more: the recorder's timecode jumped */

/* Made by parts(), which counts; goes from part to part. */
struct edl {
    struct export_job *job;
    struct videoclock clock;
    enum timecode_rate rate;
    uint64_t placed, unplaced; /* in the whole dive */
    uint32_t written;          /* the number of the last sighting that was */
    /* of the part at hand */
    int64_t record; /* frames */
    unsigned events;
};

struct cut {
    int64_t in, frames;
    bool jumps;
    const struct query_sighting *row;
};

static int64_t frames_of(int64_t ns, enum timecode_rate rate)
{
    int32_t num, den;
    timecode_rate_fraction(rate, &num, &den);
    return llround((double)ns / 1e9 * (double)num / (double)den);
}

/* The frame in force at an instant, counted from the marker nearest to `near`. */
static int64_t frame_at(const struct edl *edl, utc_ns near, utc_ns utc)
{
    int32_t num, den;
    const struct videoclock_anchor *anchor = videoclock_near(&edl->clock, near, edl->rate);
    timecode_rate_fraction(edl->rate, &num, &den);
    double away = (double)(utc.ns - anchor->utc_ns) / 1e9 * (double)num / (double)den;
    return anchor->frame + (int64_t)floor(anchor->within + away + HAIR_FRAMES);
}

static struct cut cut_of(const struct edl *edl, const struct query_sighting *row)
{
    const struct sighting_entry *sighting = &row->sighting;
    struct cut cut = {.row = row};
    utc_ns press = {sighting->start.ns + sighting->lead_ns};
    utc_ns end = sighting->closed_by[0] != '\0' ? sighting->end : press;
    if (sighting->closed_by[0] == '\0' && edl->clock.count > 0)
        end.ns = edl->clock.anchor[edl->clock.count - 1].utc_ns;
    int64_t by_utc = frames_of(end.ns - sighting->start.ns, edl->rate);
    cut.in = timecode_wrap(frame_at(edl, press, sighting->start), edl->rate);
    /* the frame in force at the end still belongs to it */
    cut.frames = timecode_wrap(frame_at(edl, end, end) - cut.in, edl->rate) + 1;
    cut.jumps = llabs(cut.frames - 1 - by_utc) > frames_of(JUMP_NS, edl->rate);
    if (cut.jumps)
        cut.frames = by_utc + 1;
    if (cut.frames < 1)
        cut.frames = 1;
    return cut;
}

/* Cut lists are ASCII: every other character becomes '_'. */
static void put_ascii(FILE *out, const char *text, int most)
{
    for (int i = 0; *text != '\0' && i < most; text++) {
        unsigned char byte = (unsigned char)*text;
        if ((byte & 0xC0) == 0x80)
            continue; /* the rest of a character that was put already */
        fputc(byte >= 0x80 ? '_' : byte < 0x20 || byte == 0x7F ? ' ' : byte, out);
        i++;
    }
}

static void put_timecode(FILE *out, int64_t frame, enum timecode_rate rate)
{
    char text[TIMECODE_TEXT];
    timecode_format(timecode_from_frame(frame, rate), rate, text);
    fprintf(out, " %s", text);
}

static void put_reel(FILE *out, const char *reel)
{
    int i = 0;
    for (; i < 8 && reel[i] != '\0'; i++)
        fputc(isalnum((unsigned char)reel[i]) || strchr("_-.", reel[i]) != NULL ? reel[i] : '_', out);
    fprintf(out, "%*s", 8 - i, "");
}

static void put_event(struct edl *edl, const struct cut *cut)
{
    FILE *out = edl->job->out;
    const struct query_sighting *row = cut->row;
    const char *reel = edl->job->options->reel;
    fprintf(out, "%03u  ", ++edl->events);
    put_reel(out, reel != NULL && reel[0] != '\0' ? reel : "AX");
    fputs(" V     C       ", out);
    put_timecode(out, cut->in, edl->rate);
    put_timecode(out, cut->in + cut->frames, edl->rate);
    put_timecode(out, edl->record, edl->rate);
    put_timecode(out, edl->record + cut->frames, edl->rate);
    fprintf(out, "\r\n* FROM CLIP NAME: %s ", row->ref);
    put_ascii(out, row->sighting.label, 60);
    fputs("\r\n", out);
    if (row->identified) {
        fputs("* COMMENT: ", out);
        put_ascii(out, row->identification.name, 100);
        fputc(' ', out);
        put_ascii(out, row->identification.qualifier, 60);
        fputs("\r\n", out);
    }
    if (cut->jumps)
        fputs("* COMMENT: TIMECODE JUMPS IN THIS EVENT; ITS LENGTH IS THAT BY UTC\r\n", out);
    edl->record += cut->frames;
}

static bool is_placed(const struct edl *edl, const struct query_sighting *row)
{
    utc_ns press = {row->sighting.start.ns + row->sighting.lead_ns};
    return videoclock_near(&edl->clock, press, edl->rate) != NULL;
}

static bool count_sighting(void *ctx, const struct query_sighting *row)
{
    struct edl *edl = ctx;
    if (stands(row->sighting.state)) {
        if (is_placed(edl, row))
            edl->placed++;
        else
            edl->unplaced++;
    }
    return true;
}

/* Until the part is full. */
static bool put_sighting(void *ctx, const struct query_sighting *row)
{
    struct edl *edl = ctx;
    if (stands(row->sighting.state) && is_placed(edl, row)) {
        struct cut cut = cut_of(edl, row);
        put_event(edl, &cut);
    }
    edl->written = row->sighting.number;
    return edl->events < EVENTS_MAX;
}

/* The rate is that of the first marker in time that has one. */
static bool find_rate(struct edl *edl)
{
    for (size_t i = 0; i < edl->clock.count; i++) {
        if (edl->clock.anchor[i].frame >= 0) {
            edl->rate = (enum timecode_rate)edl->clock.anchor[i].rate;
            return true;
        }
    }
    return false;
}

static int walk(struct edl *edl, query_sighting_row *row)
{
    struct query_want want = {.dive = edl->job->dive, .after = edl->written, .brief = true};
    if (query_sightings(edl->job->reader, &want, row, edl) < 0)
        return export_reader_failed(edl->job);
    return 0;
}

static int parts_of_edl(struct export_job *job)
{
    struct edl *edl = job->ctx = calloc(1, sizeof *edl);
    if (edl == NULL)
        return export_fail(job, "out of memory");
    edl->job = job;
    if (videoclock_anchors(&edl->clock, job) != 0)
        return -1;
    if (!find_rate(edl) && edl->clock.count > 0)
        return export_fail(job, "no marker of the dive has a timecode, and a cut list is made of timecodes");
    if (walk(edl, count_sighting) != 0)
        return -1;
    return edl->placed == 0 ? 1 : (int)((edl->placed + EVENTS_MAX - 1) / EVENTS_MAX);
}

static int write_edl(struct export_job *job)
{
    struct edl *edl = job->ctx;
    FILE *out = job->out;
    edl->events = 0;
    edl->record = timecode_frames_per_day(edl->rate) / 24; /* 01:00:00:00 */
    fputs("TITLE: ", out);
    put_ascii(out, job->dive[0] != '\0' ? job->dive : "NO DIVE", 40);
    if (job->options->part > 1)
        fprintf(out, " PART %u", job->options->part);
    fprintf(out, "\r\nFCM: %s\r\n", timecode_is_drop(edl->rate) ? "DROP FRAME" : "NON-DROP FRAME");
    fprintf(out, "* COMMENT: %s FRAMES A SECOND\r\n", timecode_rate_name(edl->rate));
    if (walk(edl, put_sighting) != 0)
        return -1;
    if (edl->unplaced > 0)
        fprintf(out, "* COMMENT: %" PRIu64 " SIGHTINGS WITHOUT A TIMECODE ARE LEFT OUT\r\n", edl->unplaced);
    return 0;
}

static void edl_done(struct export_job *job)
{
    struct edl *edl = job->ctx;
    if (edl != NULL)
        videoclock_free(&edl->clock);
    free(edl);
}

const struct export_format export_edl = {.name = "edl",
                                         .summary = "sightings as a cut list (SMPTE 258M layout)",
                                         .write = write_edl,
                                         .parts = parts_of_edl,
                                         .done = edl_done};
