#include "truth.h"

#include <jansson.h>
#include <string.h>

static const char *pad_serial(const struct truth *truth, int pad)
{
    return truth->script->pad[pad].serial;
}

bool truth_open(struct truth *truth, const char *path, const struct script *script)
{
    truth->script = script;
    truth->failed = false;
    truth->file = path ? fopen(path, "we") : NULL;
    return truth->file || !path;
}

/* Takes the object. */
static void write_line(struct truth *truth, json_t *line)
{
    if (!line || json_dumpf(line, truth->file, JSON_COMPACT) != 0 || fputc('\n', truth->file) == EOF ||
        fflush(truth->file) != 0)
        truth->failed = true;
    json_decref(line);
}

void truth_begin(struct truth *truth, int64_t now_ns, int64_t utc_ns)
{
    if (!truth->file)
        return;
    json_t *pads = json_array();
    for (int i = 0; i < truth->script->pad_count; i++)
        (void)json_array_append_new(pads, json_pack("{ss ss}", "name", truth->script->pad[i].name, "serial",
                                                    truth->script->pad[i].serial));
    json_t *line =
        json_pack("{ss si sI sI sI so}", "type", "rig", "version", 1, "seed", (json_int_t)truth->script->seed,
                  "boottime_ns", (json_int_t)now_ns, "utc_ns", (json_int_t)utc_ns, "pads", pads);
    if (line && truth->script->recorder.used)
        (void)json_object_set_new(line, "timecode_rate",
                                  json_string(timecode_rate_name(truth->script->recorder.rate)));
    write_line(truth, line);
}

static json_t *timecode_of(const struct truth *truth, const struct rig_press *press)
{
    char label[TIMECODE_TEXT];
    enum timecode_rate rate = truth->script->recorder.rate;
    if (!press->timecode_known)
        return json_null();
    timecode_format(timecode_from_frame(press->frame, rate), rate, label);
    return json_pack("{ss ss sI sf}", "rate", timecode_rate_name(rate), "label", label, "frame",
                     (json_int_t)press->frame, "within", press->within);
}

static json_t *vehicle_of(const struct world_state *world)
{
    json_t *vehicle = json_pack("{sf sf sf sf sf sf sf sf}", "lat_deg", world->lat_deg, "lon_deg",
                                world->lon_deg, "depth_m", world->depth_m, "heading_deg", world->heading_deg,
                                "pressure_dbar", world->pressure_dbar, "temperature_C", world->temperature_C,
                                "conductivity_mS_cm", world->conductivity_mS_cm, "salinity", world->salinity);
    if (vehicle && world->altitude_known)
        (void)json_object_set_new(vehicle, "altitude_m", json_real(world->altitude_m));
    return vehicle;
}

static json_t *touched_line(const struct truth *truth, const struct rig_press *press)
{
    char key[4] = "";
    (void)wire_key_name(press->key, truth->script->pad[press->pad].cols, key);
    return json_pack("{ss si ss ss sI ss sI sI sI sI sb so so}", "type", "press", "n", press->number, "pad",
                     pad_serial(truth, press->pad), "name", truth->script->pad[press->pad].name, "boot",
                     (json_int_t)press->boot, "key", key, "boottime_ns", (json_int_t)press->at_ns, "utc_ns",
                     (json_int_t)press->utc_ns, "hold_ns", (json_int_t)press->hold_ns, "tick_us",
                     (json_int_t)press->tick_us, "plugged", press->plugged, "timecode",
                     timecode_of(truth, press), "vehicle", vehicle_of(&press->world));
}

static json_t *seen_line(const struct rig_press *press)
{
    const struct wire_press *stamp = &press->stamp;
    return json_pack("{ss si sI sI sI si si ss}", "type", "seen", "n", press->number, "seq",
                     (json_int_t)press->seq, "of_seq", (json_int_t)stamp->of_seq, "tick_us",
                     (json_int_t)stamp->tick_us, "before_us", (int)stamp->before_us, "after_us",
                     (int)stamp->after_us, "gesture", wire_gesture_name(stamp->gesture));
}

static json_t *simple_line(const char *type, const struct rig_press *press, int64_t at_ns)
{
    return json_pack("{ss si sI}", "type", type, "n", press->number, "boottime_ns", (json_int_t)at_ns);
}

void truth_press(struct truth *truth, int64_t at_ns, const struct rig_press *press, enum rig_news news)
{
    json_t *line = NULL;
    if (!truth->file)
        return;
    switch (news) {
    case RIG_TOUCHED:
        line = touched_line(truth, press);
        break;
    case RIG_SEEN:
        line = seen_line(press);
        break;
    case RIG_HELD:
        line =
            json_pack("{ss si sI}", "type", "hold", "n", press->number, "seq", (json_int_t)press->hold_seq);
        break;
    case RIG_KEPT:
        line = simple_line("kept", press, at_ns);
        if (line)
            (void)json_object_set_new(line, "result", json_string(wire_result_name(press->result)));
        break;
    case RIG_AMBER:
        line = simple_line("amber", press, at_ns);
        break;
    case RIG_GREEN:
        line = simple_line("green", press, at_ns);
        break;
    case RIG_GONE:
        line = simple_line("gone", press, at_ns);
        if (line)
            (void)json_object_set_new(line, "age_ns", json_integer(press->power_age_ns));
        break;
    }
    write_line(truth, line);
}

void truth_event(struct truth *truth, int64_t at_ns, const char *what, int pad, uint32_t boot,
                 const char *text)
{
    if (!truth->file)
        return;
    json_t *line = json_pack("{ss sI ss}", "type", what, "boottime_ns", (json_int_t)at_ns, "text", text);
    if (line && pad >= 0) {
        (void)json_object_set_new(line, "pad", json_string(pad_serial(truth, pad)));
        (void)json_object_set_new(line, "boot", json_integer(boot));
    }
    write_line(truth, line);
}

static json_t *count_line(const char *type, const struct rig_count *count)
{
    return json_pack("{ss si si si si si si si sI si sI sI}", "type", type, "made", count->made, "seen",
                     count->seen, "kept", count->kept, "refused", count->refused, "gone", count->gone,
                     "missed", count->missed, "phantoms", count->phantoms, "stamp_worst_us",
                     (json_int_t)count->stamp_worst_us, "stamp_outside", count->stamp_outside,
                     "green_median_ns", (json_int_t)count->green_median_ns, "green_p99_ns",
                     (json_int_t)count->green_p99_ns);
}

void truth_end(struct truth *truth, const struct rig *rig, int64_t now_ns, int64_t late_ns)
{
    struct rig_count count;
    if (!truth->file)
        return;
    for (int pad = 0; pad < truth->script->pad_count; pad++) {
        rig_count(rig, pad, &count);
        json_t *line = count_line("pad", &count);
        if (line)
            (void)json_object_set_new(line, "pad", json_string(pad_serial(truth, pad)));
        write_line(truth, line);
    }
    rig_count(rig, -1, &count);
    json_t *line = count_line("end", &count);
    if (line) {
        (void)json_object_set_new(line, "boottime_ns", json_integer(now_ns));
        (void)json_object_set_new(line, "late_ns", json_integer(late_ns));
    }
    write_line(truth, line);
}

bool truth_close(struct truth *truth)
{
    bool sound = !truth->failed;
    if (truth->file && fclose(truth->file) != 0)
        sound = false;
    truth->file = NULL;
    return sound;
}
