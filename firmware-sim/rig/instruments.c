#include "instruments.h"

#include "speak.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { WAITING_MAX = 64, TEXT_MAX = 512 };

struct message {
    int64_t due_ns;
    size_t len;
    char text[TEXT_MAX];
};

struct instrument {
    const struct script_feed_plan *plan;
    struct chance chance;
    bool on;
    int64_t next_ns;                     /* values are taken next */
    struct message waiting[WAITING_MAX]; /* a ring, in order of departure */
    size_t head, count;
};

struct instruments {
    const struct script *script;
    int64_t start_ns, utc_offset_ns;
    instruments_sink *sink;
    void *ctx;
    struct instrument one[SCRIPT_FEEDS];
};

struct instruments *instruments_new(const struct script *script, int64_t start_ns, int64_t utc_offset_ns,
                                    instruments_sink *sink, void *ctx)
{
    struct instruments *instruments = calloc(1, sizeof *instruments);
    if (!instruments)
        return NULL;
    instruments->script = script;
    instruments->start_ns = start_ns;
    instruments->utc_offset_ns = utc_offset_ns;
    instruments->sink = sink;
    instruments->ctx = ctx;
    for (int i = 0; i < SCRIPT_FEEDS; i++) {
        struct instrument *one = &instruments->one[i];
        one->plan = &script->feed[i];
        one->chance = chance_split(script->seed, 200 + (uint64_t)i);
        one->on = one->plan->used;
        int64_t every_ns = one->plan->every_ns;
        int64_t phase_ns = i == SCRIPT_SHIP ? every_ns - (start_ns + utc_offset_ns) % every_ns
                                            : chance_range(&one->chance, 0, every_ns - 1);
        one->next_ns = start_ns + phase_ns;
    }
    return instruments;
}

void instruments_free(struct instruments *instruments)
{
    free(instruments);
}

void instruments_set_utc(struct instruments *instruments, int64_t offset_ns)
{
    instruments->utc_offset_ns = offset_ns;
}

void instruments_switch(struct instruments *instruments, enum script_feed feed, bool on)
{
    instruments->one[feed].on = on && instruments->one[feed].plan->used;
}

/* ---- what each says ---- */

static size_t ship_says(char *text, const struct world_state *world, int64_t utc_ns)
{
    size_t n = speak_gga(text, "GP", utc_ns, world->ship_lat_deg, world->ship_lon_deg, 11);
    n += speak_zda(text + n, "GP", utc_ns);
    n += speak_hdt(text + n, "HE", world->ship_heading_deg);
    n += speak_vtg(text + n, "GP", world->ship_cog_deg, world->ship_sog_kn);
    return n;
}

static size_t acoustic_says(struct instrument *one, char *text, const struct world_state *world,
                            int64_t utc_ns)
{
    double east_m = 0;
    double north_m = 0;
    double lat_deg = 0;
    double lon_deg = 0;
    world_metres(world->lat_deg, world->lon_deg, &east_m, &north_m);
    double off_m = one->plan->noise_m;
    if (chance_unit(&one->chance) < one->plan->outliers)
        off_m = 60 + 340 * chance_unit(&one->chance);
    east_m += off_m * chance_normal(&one->chance);
    north_m += off_m * chance_normal(&one->chance);
    world_degrees(east_m, north_m, &lat_deg, &lon_deg);
    return speak_gga(text, "GP", utc_ns, lat_deg, lon_deg, 4);
}

static size_t vehicle_says(char *text, const struct world_state *world)
{
    size_t n = speak_hdt(text, "HE", world->heading_deg);
    n += speak_xdr(text + n, "YX", world->pressure_dbar / 10, world->depth_m, world->pitch_deg,
                   world->roll_deg);
    if (world->altitude_known)
        n += speak_dbt(text + n, "SD", world->altitude_m);
    return n;
}

/* Beside pressure, temperature and conductivity: invented quantities that come and go slowly. */
static size_t ctd_says(const struct instrument *one, char *text, const struct world_state *world, double t_s)
{
    double extra[8];
    for (int i = 0; i < one->plan->extra; i++)
        extra[i] = 10.0 * (i + 1) + 3 * sin(t_s / (31 + 17 * i)) + world->depth_m / 1000;
    return speak_ctd(text, world->pressure_dbar, world->temperature_C, world->conductivity_mS_cm, extra,
                     one->plan->extra);
}

static size_t says(struct instruments *instruments, int feed, int64_t at_ns, char *text)
{
    struct world_state world;
    int64_t utc_ns = at_ns + instruments->utc_offset_ns;
    double t_s = (double)(at_ns - instruments->start_ns) / 1e9;
    world_at(&instruments->script->world, t_s, &world);
    switch (feed) {
    case SCRIPT_SHIP:
        return ship_says(text, &world, utc_ns);
    case SCRIPT_ACOUSTIC:
        return acoustic_says(&instruments->one[feed], text, &world, utc_ns);
    case SCRIPT_VEHICLE:
        return vehicle_says(text, &world);
    default:
        return ctd_says(&instruments->one[feed], text, &world, t_s);
    }
}

/* ---- when ---- */

static void measure(struct instruments *instruments, int feed, int64_t at_ns)
{
    struct instrument *one = &instruments->one[feed];
    if (one->count == WAITING_MAX)
        return; /* later than 64 of its own intervals: nothing real is */
    struct message *message = &one->waiting[(one->head + one->count) % WAITING_MAX];
    message->due_ns = at_ns + one->plan->late_ns + chance_range(&one->chance, 0, one->plan->jitter_ns);
    if (one->count > 0) {
        const struct message *last = &one->waiting[(one->head + one->count - 1) % WAITING_MAX];
        message->due_ns = last->due_ns > message->due_ns ? last->due_ns : message->due_ns;
    }
    message->len = says(instruments, feed, at_ns, message->text);
    one->count++;
}

void instruments_run(struct instruments *instruments, int64_t now_ns)
{
    for (int i = 0; i < SCRIPT_FEEDS; i++) {
        struct instrument *one = &instruments->one[i];
        for (; one->next_ns <= now_ns; one->next_ns += one->plan->every_ns)
            if (one->on)
                measure(instruments, i, one->next_ns);
        while (one->count > 0 && one->waiting[one->head].due_ns <= now_ns) {
            const struct message *message = &one->waiting[one->head];
            if (one->on)
                instruments->sink(instruments->ctx, (enum script_feed)i, now_ns, message->text, message->len);
            one->head = (one->head + 1) % WAITING_MAX;
            one->count--;
        }
    }
}

void instruments_garble(struct instruments *instruments, enum script_feed feed, int64_t now_ns, int64_t lines)
{
    struct instrument *one = &instruments->one[feed];
    for (int64_t line = 0; line < lines; line++) {
        char text[TEXT_MAX];
        size_t n = says(instruments, (int)feed, now_ns, text);
        const char *end = memchr(text, '\n', n);
        n = end ? (size_t)(end - text) + 1 : n;
        int64_t kind = chance_range(&one->chance, 0, 2);
        if (kind == 0) /* one bit of the line falls over */
            text[chance_range(&one->chance, 1, (int64_t)n - 3)] ^= 1;
        else if (kind == 1) /* the line is cut short; what follows it begins anew */
            n = (size_t)chance_range(&one->chance, 1, (int64_t)n - 3), text[n++] = '\n';
        else
            for (size_t i = 0; i + 1 < n; i++)
                text[i] = (char)chance_range(&one->chance, 0, 255);
        instruments->sink(instruments->ctx, feed, now_ns, text, n);
    }
}
