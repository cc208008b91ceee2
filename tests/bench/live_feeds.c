#include "live_feeds.h"

#include "live_daemon.h"
#include "speak.h"

#include <arpa/inet.h>
#include <math.h>
#include <stdio.h>
#include <sys/socket.h>
#include <time.h>

#define EVERY_NS INT64_C(100000000)

void live_feeds_open(struct live_feeds *feeds, char *sections, size_t size)
{
    int port[LIVE_FEEDS];
    *feeds = (struct live_feeds){.fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0)};
    for (int i = 0; i < LIVE_FEEDS; i++) {
        port[i] = live_udp_port();
        feeds->to[i] = (struct sockaddr_in){.sin_family = AF_INET,
                                            .sin_addr.s_addr = htonl(INADDR_LOOPBACK),
                                            .sin_port = htons((uint16_t)port[i])};
    }
    snprintf(sections, size,
             "[feed bridge]\ninput = udp:127.0.0.1:%d\nformat = nmea\nas = ship\n"
             "[feed vehicle]\ninput = udp:127.0.0.1:%d\nformat = nmea\nas = vehicle\n",
             port[0], port[1]);
}

static void send_text(const struct live_feeds *feeds, int feed, const char *text, size_t len)
{
    (void)sendto(feeds->fd, text, len, MSG_DONTWAIT, (const struct sockaddr *)&feeds->to[feed],
                 sizeof feeds->to[feed]);
}

static void speak(struct live_feeds *feeds)
{
    char text[4 * SPEAK_MAX];
    struct timespec utc;
    clock_gettime(CLOCK_REALTIME, &utc);
    int64_t utc_ns = utc.tv_sec * INT64_C(1000000000) + utc.tv_nsec;
    double at = (double)feeds->count++ * 0.1, wave = sin(at);
    size_t len = speak_gga(text, "GP", utc_ns, -12.33 + at * 1e-6, 45.89 + at * 1e-6, 12);
    len += speak_hdt(text + len, "HE", 271 + wave);
    len += speak_vtg(text + len, "GP", 88 + wave, 1.2 + 0.1 * wave);
    send_text(feeds, 0, text, len);
    len = speak_gga(text, "VH", utc_ns, -12.331 + at * 1e-6, 45.891 + at * 1e-6, 12);
    len += speak_hdt(text + len, "VH", 90 + wave);
    len += speak_dbt(text + len, "VH", 2.5 + 0.3 * wave);
    len += speak_xdr(text + len, "VH", 180.5 + wave, 1785 + 10 * wave, 2 * wave, -wave);
    send_text(feeds, 1, text, len);
}

int64_t live_feeds_run(struct live_feeds *feeds, int64_t now_ns)
{
    if (feeds->next_ns == 0)
        feeds->next_ns = now_ns;
    if (now_ns >= feeds->next_ns) {
        speak(feeds);
        feeds->next_ns += EVERY_NS;
    }
    return feeds->next_ns > now_ns ? feeds->next_ns - now_ns : 0;
}
