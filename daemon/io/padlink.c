#include "io/padlink.h"

#include "core/fields.h"
#include "io/evdev.h"
#include "io/line.h"
#include "io/log.h"

#include <stdio.h>
#include <stdlib.h>
#include <sys/random.h>

struct padlink {
    struct line *line;
    struct deliver deliver; /* where the line's own deliveries go on to */
    int source;
    bool evdev;
    bool closing;
    mono_ns now; /* of the read in hand */
    struct evdev_decoder decoder;
    char name[64];
};

/* ---- a number pad: input events become records ---- */

static void on_press(void *ctx, const char *key, uint32_t seq, mono_ns at)
{
    struct padlink *pad = ctx;
    char record[128];
    struct fields_writer writer;
    if (pad->closing)
        return;
    fields_begin(&writer, record, sizeof record, "key");
    fields_put(&writer, "key", key);
    fields_put_int(&writer, "seq", seq);
    fields_put_int(&writer, "at", at.ns);
    fields_put_int(&writer, "within", EVDEV_WITHIN_NS);
    pad->deliver.fn(pad->deliver.ctx, INPUT_PAD, pad->source, pad->now, record, writer.len);
}

/* (pad, boot, seq) names a press for ever, so each opening counts as a power-up with a number of its own. */
static void say_hello(struct padlink *pad)
{
    uint32_t boot = 0;
    char record[64];
    struct fields_writer writer;
    if (getrandom(&boot, sizeof boot, 0) != (ssize_t)sizeof boot)
        boot = (uint32_t)(pad->now.ns / NS_PER_MS);
    fields_begin(&writer, record, sizeof record, "hello");
    fields_put_int(&writer, "boot", boot);
    pad->decoder = (struct evdev_decoder){0};
    pad->deliver.fn(pad->deliver.ctx, INPUT_PAD, pad->source, pad->now, record, writer.len);
}

static void on_event(void *ctx, enum input_kind kind, int source, mono_ns now, const void *bytes, size_t len)
{
    struct padlink *pad = ctx;
    pad->now = now;
    if (kind == INPUT_PAD) {
        uint64_t overruns = pad->decoder.overruns;
        evdev_decode(&pad->decoder, bytes, len, on_press, pad);
        if (pad->decoder.overruns != overruns)
            log_warning("%s: the kernel dropped key events; presses may be missing", pad->name);
        return;
    }
    pad->deliver.fn(pad->deliver.ctx, kind, source, now, bytes, len);
    if (kind == INPUT_PAD_UP && !pad->closing)
        say_hello(pad);
}

/* ---- either ---- */

struct padlink *padlink_new(uv_loop_t *loop, const char *name, const struct config_pad *config, int source,
                            const struct deliver *deliver)
{
    struct padlink *pad = calloc(1, sizeof *pad);
    if (pad == NULL)
        return NULL;
    snprintf(pad->name, sizeof pad->name, "pad %s", name);
    pad->deliver = *deliver;
    pad->source = source;
    pad->evdev = config->port == CONFIG_PORT_EVDEV;
    struct line_plan plan = {.name = pad->name,
                             .path = config->port == CONFIG_PORT_USB ? NULL : config->path,
                             .usb_vendor = config->usb_vendor,
                             .usb_product = config->usb_product,
                             .usb_serial = config->usb_serial,
                             .baud = config->baud,
                             .open = pad->evdev ? evdev_open : NULL,
                             .bytes = INPUT_PAD,
                             .up = INPUT_PAD_UP,
                             .down = INPUT_PAD_DOWN,
                             .source = source,
                             .deliver = pad->evdev ? (struct deliver){on_event, pad} : *deliver};
    pad->line = line_new(loop, &plan);
    if (pad->line == NULL) {
        free(pad);
        return NULL;
    }
    return pad;
}

bool padlink_send(struct padlink *pad, const void *bytes, size_t len)
{
    return !pad->evdev && line_send(pad->line, bytes, len);
}

void padlink_close(struct padlink *pad)
{
    if (pad == NULL || pad->closing)
        return;
    pad->closing = true;
    line_close(pad->line, free, pad);
}
