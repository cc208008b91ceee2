#include "io/evdev.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/input.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

static const struct {
    uint16_t code;
    const char *key;
} layout[] = {
    {KEY_NUMLOCK, "A1"}, {KEY_KPSLASH, "A2"}, {KEY_KPASTERISK, "A3"}, {KEY_KPMINUS, "A4"},
    {KEY_KP7, "B1"},     {KEY_KP8, "B2"},     {KEY_KP9, "B3"},        {KEY_KPPLUS, "B4"},
    {KEY_KP4, "C1"},     {KEY_KP5, "C2"},     {KEY_KP6, "C3"},        {KEY_BACKSPACE, "C4"},
    {KEY_KP1, "D1"},     {KEY_KP2, "D2"},     {KEY_KP3, "D3"},        {KEY_KPENTER, "D4"},
    {KEY_KP0, "E1"},     {KEY_KPEQUAL, "E2"}, {KEY_KPDOT, "E3"},      {KEY_SLASH, "A2"},
    {KEY_MINUS, "A4"},   {KEY_7, "B1"},       {KEY_8, "B2"},          {KEY_9, "B3"},
    {KEY_4, "C1"},       {KEY_5, "C2"},       {KEY_6, "C3"},          {KEY_1, "D1"},
    {KEY_2, "D2"},       {KEY_3, "D3"},       {KEY_ENTER, "D4"},      {KEY_0, "E1"},
    {KEY_EQUAL, "E2"},   {KEY_DOT, "E3"},
};

int evdev_open(void *ctx, const char *path, char *error, size_t error_size)
{
    (void)ctx;
    int clock = CLOCK_BOOTTIME;
    const char *step = "cannot be opened";
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC | O_NOCTTY);
    if (fd >= 0) {
        step = "is no input device";
        if (ioctl(fd, EVIOCSCLOCKID, &clock) == 0) {
            step = "is held by another program";
            if (ioctl(fd, EVIOCGRAB, 1) == 0)
                return fd;
        }
    }
    snprintf(error, error_size, "%s: %s", step, strerror(errno));
    if (fd >= 0)
        close(fd);
    return -1;
}

static const char *key_name(uint16_t code)
{
    for (size_t i = 0; i < sizeof layout / sizeof layout[0]; i++)
        if (layout[i].code == code)
            return layout[i].key;
    return NULL;
}

static void take_key(struct evdev_decoder *decoder, const struct input_event *event, evdev_press_fn *press,
                     void *ctx)
{
    if (event->value != 1) /* 0 released, 2 repeated by the kernel */
        return;
    const char *key = key_name(event->code);
    if (key == NULL) {
        decoder->unknown_keys++;
        return;
    }
    mono_ns at = {(int64_t)event->input_event_sec * NS_PER_S + (int64_t)event->input_event_usec * NS_PER_US};
    press(ctx, key, ++decoder->presses, at);
}

/* SYN_DROPPED: what follows up to the next SYN_REPORT belongs to events of which others are lost. */
static void take_event(struct evdev_decoder *decoder, const struct input_event *event, evdev_press_fn *press,
                       void *ctx)
{
    if (event->type == EV_SYN && event->code == SYN_DROPPED) {
        decoder->overruns++;
        decoder->dropping = 1;
    } else if (event->type == EV_SYN && event->code == SYN_REPORT) {
        decoder->dropping = 0;
    } else if (event->type == EV_KEY && !decoder->dropping) {
        take_key(decoder, event, press, ctx);
    }
}

void evdev_decode(struct evdev_decoder *decoder, const void *bytes, size_t len, evdev_press_fn *press,
                  void *ctx)
{
    struct input_event event;
    for (size_t at = 0; at + sizeof event <= len; at += sizeof event) {
        memcpy(&event, (const char *)bytes + at, sizeof event);
        take_event(decoder, &event, press, ctx);
    }
}
