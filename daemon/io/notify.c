#include "io/notify.h"

#include <errno.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

void notify_send(const char *state)
{
    const char *path = getenv("NOTIFY_SOCKET");
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (path == NULL || (path[0] != '/' && path[0] != '@') || strlen(path) >= sizeof address.sun_path)
        return;
    memcpy(address.sun_path, path, strlen(path));
    if (path[0] == '@') /* a name in the abstract space begins with NUL */
        address.sun_path[0] = '\0';
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return;
    socklen_t len = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + strlen(path));
    /* A manager that does not listen has nobody to be told to. */
    ssize_t sent = sendto(fd, state, strlen(state), MSG_NOSIGNAL, (struct sockaddr *)&address, len);
    (void)sent;
    close(fd);
}

uint64_t notify_watchdog_ms(void)
{
    const char *text = getenv("WATCHDOG_USEC");
    const char *pid = getenv("WATCHDOG_PID");
    if (text == NULL || (pid != NULL && strtol(pid, NULL, 10) != (long)getpid()))
        return 0;
    char *end = NULL;
    errno = 0;
    unsigned long long wait_us = strtoull(text, &end, 10);
    if (errno != 0 || end == text || *end != '\0')
        return 0;
    return wait_us / 2000;
}
