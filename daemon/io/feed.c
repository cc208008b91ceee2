#include "io/feed.h"

#include "io/feed_kinds.h"
#include "io/line.h"

#include <stdio.h>
#include <stdlib.h>

/* One of them, by the configuration's input. */
struct feed {
    struct feed_udp *udp;
    struct feed_tcp *tcp;
    struct feed_file *file;
    struct line *line;
};

static struct line *open_line(uv_loop_t *loop, const struct feed_plan *plan)
{
    struct line_plan line = {.name = plan->name,
                             .path = plan->config->path,
                             .baud = plan->config->baud,
                             .bytes = INPUT_FEED,
                             .up = INPUT_FEED_UP,
                             .down = INPUT_FEED_DOWN,
                             .source = plan->source,
                             .deliver = plan->deliver};
    return line_new(loop, &line);
}

struct feed *feed_new(uv_loop_t *loop, const char *name, const struct config_feed *config, int source,
                      const struct deliver *deliver)
{
    char called[64];
    struct feed *feed = calloc(1, sizeof *feed);
    if (feed == NULL)
        return NULL;
    snprintf(called, sizeof called, "feed %s", name);
    struct feed_plan plan = {called, config, source, *deliver};
    if (config->input == CONFIG_INPUT_UDP)
        feed->udp = feed_udp_new(loop, &plan);
    else if (config->input == CONFIG_INPUT_TCP)
        feed->tcp = feed_tcp_new(loop, &plan);
    else if (config->input == CONFIG_INPUT_FILE)
        feed->file = feed_file_new(loop, &plan);
    else
        feed->line = open_line(loop, &plan);
    if (feed->udp == NULL && feed->tcp == NULL && feed->file == NULL && feed->line == NULL) {
        free(feed);
        return NULL;
    }
    return feed;
}

void feed_close(struct feed *feed)
{
    if (feed == NULL)
        return;
    feed_udp_close(feed->udp);
    feed_tcp_close(feed->tcp);
    feed_file_close(feed->file);
    line_close(feed->line, NULL, NULL);
    free(feed);
}
