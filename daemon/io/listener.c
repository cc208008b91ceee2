#include "io/listener.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define BACKLOG 128

struct complaint {
    char *why;
    size_t size;
    const char *place;
};

static int complain(const struct complaint *to, const char *what, int error)
{
    snprintf(to->why, to->size, "socket %s: %s%s%s", to->place, what, error != 0 ? ": " : "",
             error != 0 ? strerror(error) : "");
    return -1;
}

static int drop(int fd, const struct complaint *to, const char *what, int error)
{
    complain(to, what, error);
    close(fd);
    return -1;
}

/* 0: the place is free. A socket file is tried: an answer means that a daemon holds it. */
static int make_free(const struct sockaddr_un *address, const struct complaint *to)
{
    struct stat st;
    if (lstat(address->sun_path, &st) != 0)
        return errno == ENOENT ? 0 : complain(to, "cannot look at it", errno);
    if (!S_ISSOCK(st.st_mode))
        return complain(to, "is there and is no socket; name another path or move it away", 0);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return complain(to, "socket()", errno);
    int failed = connect(fd, (const struct sockaddr *)address, sizeof *address) == 0 ? 0 : errno;
    if (failed == 0 || failed == EAGAIN || failed == EINPROGRESS) {
        char who[96] = "whose pid is not known";
        struct ucred peer;
        socklen_t size = sizeof peer;
        if (failed == 0 && getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) == 0)
            snprintf(who, sizeof who, "pid %ld, uid %lu", (long)peer.pid, (unsigned long)peer.uid);
        snprintf(to->why, to->size,
                 "socket %s: another program (%s) answers there; stop it or name another path", to->place,
                 who);
        close(fd);
        return -1;
    }
    close(fd);
    if (failed != ECONNREFUSED)
        return complain(to, "cannot tell whether somebody answers there", failed);
    if (unlink(address->sun_path) != 0 && errno != ENOENT)
        return complain(to, "a stale socket file that cannot be removed", errno);
    return 0;
}

static int give_group(const char *path, const char *group, const struct complaint *to)
{
    if (group == NULL || group[0] == '\0')
        return 0;
    /* cppcheck-suppress getgrnamCalled ; only the loop's thread asks for groups */
    struct group *found = getgrnam(group);
    if (found == NULL) {
        snprintf(to->why, to->size, "socket %s: there is no group %s; make it or change unix_group",
                 to->place, group);
        return -1;
    }
    if (chown(path, (uid_t)-1, found->gr_gid) != 0)
        return complain(to, "cannot give it to its group", errno);
    return 0;
}

/* The file is bound: group, mode, then listen. */
static int open_to_peers(int fd, const char *path, unsigned mode, const char *group,
                         struct listener_file *file, const struct complaint *to)
{
    struct stat st;
    if (give_group(path, group, to) != 0)
        return -1;
    if (chmod(path, (mode_t)mode & 0777) != 0)
        return complain(to, "cannot set its mode", errno);
    if (lstat(path, &st) != 0)
        return complain(to, "cannot look at it", errno);
    if (listen(fd, BACKLOG) != 0)
        return complain(to, "listen()", errno);
    *file = (struct listener_file){.device = st.st_dev, .inode = st.st_ino};
    return 0;
}

int listener_unix(const char *path, unsigned mode, const char *group, struct listener_file *file, char *why,
                  size_t why_size)
{
    struct complaint to = {.why = why, .size = why_size, .place = path};
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path)
        return complain(&to, "the path is longer than 107 bytes, the most a unix socket can have", 0);
    memcpy(address.sun_path, path, strlen(path));
    if (make_free(&address, &to) != 0)
        return -1;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return complain(&to, "socket()", errno);
    /* Linux makes the file with the descriptor's mode: nobody else can connect before group and mode are right */
    if (fchmod(fd, 0600) != 0 || bind(fd, (const struct sockaddr *)&address, sizeof address) != 0)
        return drop(fd, &to, "cannot be made; is the folder there and writable?", errno);
    if (open_to_peers(fd, path, mode, group, file, &to) != 0) {
        unlink(path);
        close(fd);
        return -1;
    }
    return fd;
}

void listener_unlink(const char *path, const struct listener_file *file)
{
    struct stat st;
    if (lstat(path, &st) == 0 && st.st_dev == file->device && st.st_ino == file->inode)
        unlink(path);
}

static bool is_loopback(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET) {
        struct sockaddr_in v4;
        memcpy(&v4, address, sizeof v4);
        return (ntohl(v4.sin_addr.s_addr) >> 24) == 127;
    }
    struct sockaddr_in6 v6;
    memcpy(&v6, address, sizeof v6);
    return IN6_IS_ADDR_LOOPBACK(&v6.sin6_addr) != 0;
}

static int bind_tcp(const struct addrinfo *found, const struct complaint *to)
{
    int fd = socket(found->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return complain(to, "socket()", errno);
    int yes = 1;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    if (bind(fd, found->ai_addr, found->ai_addrlen) != 0)
        return drop(fd, to, "cannot listen there", errno);
    if (listen(fd, BACKLOG) != 0)
        return drop(fd, to, "listen()", errno);
    return fd;
}

static uint16_t port_of(int fd)
{
    struct sockaddr_storage address;
    socklen_t size = sizeof address;
    char port[8] = "0";
    if (getsockname(fd, (struct sockaddr *)&address, &size) == 0)
        getnameinfo((struct sockaddr *)&address, size, NULL, 0, port, sizeof port, NI_NUMERICSERV);
    unsigned number = 0;
    sscanf(port, "%u", &number);
    return (uint16_t)number;
}

int listener_tcp(const char *host, uint16_t *port, bool has_tokens, char *why, size_t why_size)
{
    char place[160], service[8];
    snprintf(place, sizeof place, "tcp %.128s:%u", host, *port);
    snprintf(service, sizeof service, "%u", *port);
    struct complaint to = {.why = why, .size = why_size, .place = place};
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICHOST | AI_PASSIVE};
    struct addrinfo *found = NULL;
    const char *numeric = strcmp(host, "localhost") == 0 ? "127.0.0.1" : host;
    if (getaddrinfo(numeric, service, &hints, &found) != 0)
        return complain(&to, "the host must be a numeric address such as 127.0.0.1 or ::1", 0);
    int fd = -1;
    if (!is_loopback(found->ai_addr) && !has_tokens)
        complain(&to, "beyond this machine only with token_file; see docs/socket.md", 0);
    else
        fd = bind_tcp(found, &to);
    freeaddrinfo(found);
    if (fd >= 0)
        *port = port_of(fd);
    return fd;
}

static void tcp_peer(const struct sockaddr_storage *address, socklen_t len, char *out, size_t size)
{
    char host[64] = "?", port[8] = "?";
    getnameinfo((const struct sockaddr *)address, len, host, sizeof host, port, sizeof port,
                NI_NUMERICHOST | NI_NUMERICSERV);
    snprintf(out, size, "%s port %s", host, port);
}

void listener_peer(int fd, char *out, size_t size)
{
    struct sockaddr_storage address = {0};
    socklen_t len = sizeof address;
    if (getpeername(fd, (struct sockaddr *)&address, &len) == 0 && address.ss_family != AF_UNIX) {
        tcp_peer(&address, len, out, size);
        return;
    }
    struct ucred peer;
    len = sizeof peer;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &len) == 0)
        snprintf(out, size, "pid %ld uid %lu gid %lu", (long)peer.pid, (unsigned long)peer.uid,
                 (unsigned long)peer.gid);
    else
        snprintf(out, size, "unknown");
}
