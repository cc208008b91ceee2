#include "export/doctor.h"

#include "export/html.h"

#include <inttypes.h>
#include <string.h>

#define HELD_NS (2 * NS_PER_S)
#define VAGUE_NS (100 * NS_PER_MS)
#define SINGLY_MOST 3 /* the same told more often becomes one finding */
#define TEXT_SIZE (NOTE_SIZE + 200)

struct doctor {
    struct report_data data;
    doctor_tell *tell;
    void *ctx;
};

static void tell(struct doctor *doctor, const struct doctor_finding *finding)
{
    doctor->tell(doctor->ctx, finding);
}

/* ---- what the daemon told ---- */

/* What begins with one state and ends with another of the same thing. */
struct trouble {
    enum entry_type type;
    enum doctor_weight weight;
    const char *begins; /* a state */
    const char *ends;   /* states, separated by "|"; "": it is over at once */
    const char *kind;
    const char *says; /* NULL: the notice's own sentence */
};

static const struct trouble TROUBLES[] = {
    {ENTRY_CLOCK, DOCTOR_TROUBLE, "stepped", "", "clock", NULL},
    {ENTRY_CLOCK, DOCTOR_TROUBLE, "set", "", "clock", NULL},
    {ENTRY_CLOCK, DOCTOR_NOTE, "leap", "", "clock", NULL},
    {ENTRY_CLOCK, DOCTOR_TROUBLE, "lost", "synced", "clock", NULL},
    {ENTRY_TIMECODE, DOCTOR_TROUBLE, "lost", "locked", "timecode",
     "no timecode was heard; labels were carried on"},
    {ENTRY_TIMECODE, DOCTOR_TROUBLE, "jumped", "", "timecode", NULL},
    {ENTRY_TIMECODE, DOCTOR_TROUBLE, "reverse", "", "timecode", NULL},
    {ENTRY_TIMECODE, DOCTOR_TROUBLE, "shuttle", "", "timecode", NULL},
    {ENTRY_TIMECODE, DOCTOR_TROUBLE, "rate", "", "timecode", NULL},
    {ENTRY_TIMECODE, DOCTOR_NOTE, "drop flag", "", "timecode", NULL},
    {ENTRY_TIMECODE, DOCTOR_TROUBLE, "audio step", "", "timecode", NULL},
    {ENTRY_TIMECODE, DOCTOR_NOTE, "audio ended", "", "timecode", NULL},
    {ENTRY_FEED, DOCTOR_TROUBLE, "silent", "heard|open", "feed",
     "the feed was silent: markers went without it"},
    {ENTRY_FEED, DOCTOR_TROUBLE, "lost", "open", "feed", NULL},
    {ENTRY_FEED, DOCTOR_NOTE, "bad line", "", "feed", NULL},
    {ENTRY_PAD, DOCTOR_TROUBLE, "lost", "linked", "pad", "the pad was unplugged or hung up"},
    {ENTRY_PAD, DOCTOR_TROUBLE, "silent", "linked|lost", "pad",
     "the port was open and nothing was heard of the pad"},
    {ENTRY_PAD, DOCTOR_NOTE, "bad frames", "", "pad", NULL},
    {ENTRY_PAD, DOCTOR_TROUBLE, "version", "", "pad", NULL},
    {ENTRY_FAULT, DOCTOR_TROUBLE, "failing", "ok", "store", NULL},
    {ENTRY_FAULT, DOCTOR_TROUBLE, "full", "ok", "store", NULL},
    {ENTRY_FAULT, DOCTOR_TROUBLE, "stuck-key", "over", "pad", NULL},
    {ENTRY_FAULT, DOCTOR_TROUBLE, "ghost", "over", "pad", NULL},
    {ENTRY_FAULT, DOCTOR_TROUBLE, "queue-full", "over", "pad", NULL},
    {ENTRY_FAULT, DOCTOR_TROUBLE, "eeprom", "over", "pad", NULL}};
#define TROUBLE_COUNT (sizeof TROUBLES / sizeof TROUBLES[0])

static bool one_of(const char *state, const char *states)
{
    size_t length = strlen(state);
    for (; states[0] != '\0'; states += strcspn(states, "|") + (strchr(states, '|') != NULL ? 1 : 0))
        if (strcspn(states, "|") == length && strncmp(states, state, length) == 0)
            return true;
    return false;
}

static bool same_thing(const struct query_notice *a, const struct query_notice *b)
{
    return a->made.type == b->made.type && strcmp(a->notice.about, b->notice.about) == 0;
}

/* The notice that ends what the one at `index` began; NULL: it lasted. */
static const struct query_notice *end_of(const struct report_data *data, size_t index, const char *ends)
{
    for (size_t i = index + 1; i < data->notices; i++)
        if (same_thing(&data->notice[i], &data->notice[index]) && one_of(data->notice[i].notice.state, ends))
            return &data->notice[i];
    return NULL;
}

/* Whether the same began before and has not ended: then this one is part of it. */
static bool goes_on(const struct report_data *data, size_t index, const struct trouble *trouble)
{
    if (trouble->ends[0] == '\0')
        return false;
    for (size_t i = index; i-- > 0;) {
        const struct query_notice *notice = &data->notice[i];
        if (!same_thing(notice, &data->notice[index]))
            continue;
        if (one_of(notice->notice.state, trouble->ends))
            return false;
        if (strcmp(notice->notice.state, trouble->begins) == 0)
            return true;
    }
    return false;
}

/* How often the same was told, and when last. */
static size_t count_same(const struct report_data *data, size_t index, bool *is_first, utc_ns *last)
{
    size_t count = 0;
    *is_first = true;
    for (size_t i = 0; i < data->notices; i++) {
        const struct query_notice *notice = &data->notice[i];
        if (!same_thing(notice, &data->notice[index]) ||
            strcmp(notice->notice.state, data->notice[index].notice.state) != 0)
            continue;
        *is_first = *is_first && i >= index;
        *last = notice->made.at.utc;
        count++;
    }
    return count;
}

/* What happens again and again is told once. */
static void tell_repeated(struct doctor *doctor, size_t index, struct doctor_finding finding)
{
    char text[TEXT_SIZE];
    bool is_first;
    utc_ns last = finding.from;
    size_t count = count_same(&doctor->data, index, &is_first, &last);
    if (count > SINGLY_MOST && !is_first)
        return;
    if (count > SINGLY_MOST) {
        snprintf(text, sizeof text, "%s (%zu times)", finding.text, count);
        finding.lasting = true;
        finding.to = last;
        finding.text = text;
    }
    tell(doctor, &finding);
}

static void tell_notice(struct doctor *doctor, size_t index, const struct trouble *trouble)
{
    const struct report_data *data = &doctor->data;
    const struct query_notice *notice = &data->notice[index];
    struct doctor_finding finding = {.weight = trouble->weight,
                                     .kind = trouble->kind,
                                     .about = notice->notice.about,
                                     .timed = notice->made.at.trust != CLOCK_TRUST_NONE,
                                     .lasting = trouble->ends[0] != '\0',
                                     .from = notice->made.at.utc,
                                     .text = trouble->says != NULL ? trouble->says : notice->notice.text};
    if (goes_on(data, index, trouble))
        return;
    if (finding.lasting) {
        const struct query_notice *end = end_of(data, index, trouble->ends);
        finding.unended = end == NULL;
        finding.to = end != NULL ? end->made.at.utc : data->to;
        tell(doctor, &finding);
    } else {
        tell_repeated(doctor, index, finding);
    }
}

static const struct trouble *trouble_of(const struct query_notice *notice)
{
    for (size_t i = 0; i < TROUBLE_COUNT; i++)
        if (TROUBLES[i].type == notice->made.type && strcmp(TROUBLES[i].begins, notice->notice.state) == 0)
            return &TROUBLES[i];
    return NULL;
}

/* A fault of a kind that is not known here is told as it is. */
static const struct trouble *fault_of(const struct query_notice *notice)
{
    static const struct trouble unknown = {ENTRY_FAULT, DOCTOR_TROUBLE, "", "over|ok", "pad", NULL};
    bool ending = one_of(notice->notice.state, "over|ok");
    return notice->made.type == ENTRY_FAULT && !ending ? &unknown : NULL;
}

static void look_at_notices(struct doctor *doctor, const char *kind)
{
    for (size_t i = 0; i < doctor->data.notices; i++) {
        const struct trouble *trouble = trouble_of(&doctor->data.notice[i]);
        if (trouble == NULL)
            trouble = fault_of(&doctor->data.notice[i]);
        if (trouble != NULL && strcmp(trouble->kind, kind) == 0)
            tell_notice(doctor, i, trouble);
    }
}

/* ---- what the markers show ---- */

typedef bool marker_test(const struct report_marker *marker);

static bool has_no_place(const struct report_marker *marker)
{
    return !marker->position.known;
}

static bool is_not_synced(const struct report_marker *marker)
{
    return marker->when.trust != CLOCK_TRUST_SYNCED;
}

/* Synchronised or not, the instant itself is known badly: its pad's clock was not followed. */
static bool is_vague(const struct report_marker *marker)
{
    return marker->when.mono_bound_ns > VAGUE_NS;
}

static bool was_held(const struct report_marker *marker)
{
    return marker->origin == MARKER_FROM_KEY && marker->held_ns > HELD_NS;
}

static bool has_no_timecode(const struct report_marker *marker)
{
    return marker->timecode_trust == TIMECODE_TRUST_NONE;
}

static bool has_waited(const struct report_marker *marker)
{
    return marker->waited;
}

struct crowd {
    size_t count, of;
    const struct report_marker *first, *last, *longest;
};

static struct crowd gather(const struct report_data *data, marker_test *test)
{
    struct crowd crowd = {0};
    for (size_t i = 0; i < data->markers; i++) {
        const struct report_marker *marker = &data->marker[i];
        if (!report_marker_stands(marker))
            continue;
        crowd.of++;
        if (!test(marker))
            continue;
        crowd.count++;
        crowd.first = crowd.first == NULL ? marker : crowd.first;
        crowd.last = marker;
        if (crowd.longest == NULL || marker->held_ns > crowd.longest->held_ns)
            crowd.longest = marker;
    }
    return crowd;
}

/* `says` follows "12 of 40 markers". */
static void tell_crowd(struct doctor *doctor, const struct crowd *crowd, enum doctor_weight weight,
                       const char *kind, const char *says)
{
    char text[TEXT_SIZE], first[REF_SIZE], last[REF_SIZE];
    if (crowd->count == 0)
        return;
    entry_ref(first, "", 'M', crowd->first->number);
    entry_ref(last, "", 'M', crowd->last->number);
    snprintf(text, sizeof text, "%zu of %zu markers %s (%s%s%s)", crowd->count, crowd->of, says, first,
             crowd->count > 1 ? " to " : "", crowd->count > 1 ? last : "");
    struct doctor_finding finding = {.weight = weight,
                                     .kind = kind,
                                     .about = "",
                                     .timed = crowd->first->when.trust != CLOCK_TRUST_NONE,
                                     .lasting = crowd->count > 1,
                                     .from = crowd->first->when.utc,
                                     .to = crowd->last->when.utc,
                                     .text = text};
    tell(doctor, &finding);
}

static void look_at_times(struct doctor *doctor)
{
    struct crowd crowd = gather(&doctor->data, is_not_synced);
    if (crowd.count > 0 && crowd.count == crowd.of)
        tell_crowd(doctor, &crowd, DOCTOR_TROUBLE, "clock",
                   "have no synchronised UTC: the clock was never synchronised on this dive");
    else
        tell_crowd(doctor, &crowd, DOCTOR_TROUBLE, "clock", "have no synchronised UTC");
    crowd = gather(&doctor->data, is_vague);
    tell_crowd(doctor, &crowd, DOCTOR_TROUBLE, "clock",
               "are known to no better than 0.1 s: the clock of their pad was not followed");
}

static void look_at_presses(struct doctor *doctor)
{
    struct crowd crowd = gather(&doctor->data, was_held);
    char says[TEXT_SIZE], length[HTML_TEXT_SIZE], ref[REF_SIZE];
    if (crowd.count == 0)
        return;
    entry_ref(ref, "", 'M', crowd.longest->number);
    snprintf(says, sizeof says,
             "waited in a pad for more than 2 s before they were kept, the longest, %s, for %s", ref,
             html_duration(crowd.longest->held_ns, length));
    tell_crowd(doctor, &crowd, DOCTOR_NOTE, "press", says);
}

static void look_at_places(struct doctor *doctor)
{
    struct crowd none = gather(&doctor->data, has_no_place), waited = gather(&doctor->data, has_waited);
    tell_crowd(doctor, &none, DOCTOR_TROUBLE, "position", "have no position");
    tell_crowd(doctor, &waited, DOCTOR_NOTE, "position",
               "settled only because the time to wait for later samples ran out");
}

static void look(struct doctor *doctor)
{
    struct crowd without = gather(&doctor->data, has_no_timecode);
    look_at_notices(doctor, "store");
    look_at_notices(doctor, "clock");
    look_at_times(doctor);
    look_at_notices(doctor, "timecode");
    tell_crowd(doctor, &without, DOCTOR_TROUBLE, "timecode", "have no timecode");
    look_at_notices(doctor, "feed");
    look_at_notices(doctor, "pad");
    look_at_presses(doctor);
    look_at_places(doctor);
}

int doctor_examine(struct store_reader *reader, const char *dive, const struct query_dive *row,
                   doctor_tell *tell_it, void *ctx, char *why, size_t why_size)
{
    struct doctor doctor = {.tell = tell_it, .ctx = ctx};
    int result = report_data_gather(&doctor.data, reader, dive, row);
    if (result == 0)
        look(&doctor);
    else
        snprintf(why, why_size, "%s", doctor.data.no_memory ? "out of memory" : store_reader_error(reader));
    report_data_free(&doctor.data);
    return result;
}
