#include "live_crowd.h"

#include "live_daemon.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <sched.h>
#include <signal.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

enum { READY = 256, SILENCE_MS = 5000 };

static const char SUBSCRIBE[] = "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\"}\n";

void live_crowd_open(struct live_crowd *crowd)
{
    *crowd = (struct live_crowd){.epoll = epoll_create1(EPOLL_CLOEXEC), .out_fd = -1};
    if (crowd->epoll < 0)
        live_fail("epoll: %s", strerror(errno));
}

void live_crowd_close(struct live_crowd *crowd)
{
    for (int i = 0; i < crowd->count; i++)
        close(crowd->fd[i]);
    close(crowd->epoll);
}

void live_crowd_descriptors(size_t wanted)
{
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) != 0)
        live_fail("no limit of open files: %s", strerror(errno));
    limit.rlim_cur = limit.rlim_max;
    if (setrlimit(RLIMIT_NOFILE, &limit) != 0 || limit.rlim_cur < wanted)
        live_fail("%zu open files are needed and %lu allowed; raise `ulimit -Hn`", wanted,
                  (unsigned long)limit.rlim_cur);
}

int live_crowd_tcp(int port)
{
    struct sockaddr_in to = {
        .sin_family = AF_INET, .sin_port = htons((uint16_t)port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -1;
    if (connect(fd, (struct sockaddr *)&to, sizeof to) == 0)
        return fd;
    close(fd);
    return -1;
}

static void await_answer(int fd, size_t answer_bytes)
{
    char answer[4096] = "";
    size_t len = 0;
    while (answer_bytes > 0 ? len < answer_bytes : len == 0 || answer[len - 1] != '\n') {
        ssize_t got = read(fd, answer + len, sizeof answer - len);
        if (got <= 0)
            live_fail("a subscriber got no answer: %s", got < 0 ? strerror(errno) : "closed");
        len += (size_t)got;
    }
    if (answer_bytes == 0 && memmem(answer, len, "\"error\"", 7) != NULL)
        live_fail("a subscriber was refused: %.*s", (int)len, answer);
}

void live_crowd_join(struct live_crowd *crowd, int fd, const char *hello, size_t hello_len,
                     size_t answer_bytes)
{
    struct epoll_event event = {.events = EPOLLIN, .data.fd = fd};
    if (fd < 0 || crowd->count == LIVE_CROWD_MAX)
        live_fail("a subscriber cannot connect: %s", strerror(errno));
    if (hello_len > 0) {
        if (write(fd, hello, hello_len) != (ssize_t)hello_len)
            live_fail("a subscriber cannot ask: %s", strerror(errno));
        await_answer(fd, answer_bytes);
    }
    if (fcntl(fd, F_SETFL, O_NONBLOCK) != 0 || epoll_ctl(crowd->epoll, EPOLL_CTL_ADD, fd, &event) != 0)
        live_fail("epoll: %s", strerror(errno));
    crowd->fd[crowd->count++] = fd;
}

/* What is to be written goes out as the other side takes it, or both would wait for each other. */
static void write_along(struct live_crowd *crowd)
{
    while (crowd->out_left > 0) {
        ssize_t sent = send(crowd->out_fd, crowd->out, crowd->out_left, MSG_DONTWAIT | MSG_NOSIGNAL);
        if (sent < 0 && errno != EAGAIN)
            live_fail("the source's connection broke: %s", strerror(errno));
        if (sent <= 0)
            return;
        crowd->out += sent;
        crowd->out_left -= (size_t)sent;
    }
}

static void take(struct live_crowd *crowd, int fd)
{
    static char room[1 << 17];
    ssize_t got = recv(fd, room, sizeof room, MSG_DONTWAIT);
    if (got == 0 || (got < 0 && errno != EAGAIN))
        live_fail("a subscriber's connection broke");
    if (got > 0)
        crowd->got += (uint64_t)got;
}

bool live_crowd_await(struct live_crowd *crowd, uint64_t bytes)
{
    struct epoll_event ready[READY];
    while (crowd->got < bytes) {
        write_along(crowd);
        int count = epoll_wait(crowd->epoll, ready, READY, crowd->out_left > 0 ? 1 : SILENCE_MS);
        if (count == 0 && crowd->out_left == 0)
            return false;
        for (int i = 0; i < count; i++)
            take(crowd, ready[i].data.fd);
    }
    return true;
}

int live_crowd_child(const char *path, int tcp_port, int count)
{
    static struct live_crowd crowd;
    int ready[2];
    char told;
    pid_t parent = getpid();
    if (pipe(ready) != 0)
        live_fail("pipe: %s", strerror(errno));
    pid_t pid = fork();
    if (pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        if (getppid() != parent)
            _exit(1);
        close(ready[0]);
        /* they stand for other machines: what they need of this one comes last */
        const struct sched_param last = {0};
        (void)sched_setscheduler(0, SCHED_BATCH, &last);
        (void)nice(10);
        live_crowd_open(&crowd);
        for (int i = 0; i < count; i++)
            live_crowd_join(&crowd,
                            tcp_port != 0 && i % 2 == 1 ? live_crowd_tcp(tcp_port) : live_connect(path),
                            SUBSCRIBE, sizeof SUBSCRIBE - 1, 0);
        (void)!write(ready[1], "r", 1);
        for (;;)
            (void)live_crowd_await(&crowd, UINT64_MAX);
    }
    close(ready[1]);
    if (read(ready[0], &told, 1) != 1)
        live_fail("the subscribers could not be had");
    close(ready[0]);
    return pid;
}
