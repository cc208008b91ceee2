/*
 * listener: opens the two kinds of listening socket, with the checks that belong to opening them. Descriptors are
 * non-blocking and closed on exec. Each returns -1 with a sentence that names the place and what to do.
 */
#ifndef BELLROPE_IO_LISTENER_H
#define BELLROPE_IO_LISTENER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

/* Which file was bound, so that another daemon's file is not removed at the end. */
struct listener_file {
    dev_t device;
    ino_t inode;
};

/*
 * Binds `path`. A socket file that nobody answers on is removed first. The file is made with mode 0600 and gets its group and
 * mode before the first connection can be made.
 */
int listener_unix(const char *path, unsigned mode, const char *group, struct listener_file *file, char *why,
                  size_t why_size);

/* Removes the socket file where it is still the one that was bound. */
void listener_unlink(const char *path, const struct listener_file *file);

/* Binds a numeric address or "localhost". `has_tokens` allows more than loopback. The bound port goes to *port. */
int listener_tcp(const char *host, uint16_t *port, bool has_tokens, char *why, size_t why_size);

/* Who is at the other end: "pid 123 uid 1000 gid 1000", or "127.0.0.1 port 4711". */
void listener_peer(int fd, char *out, size_t size);

#endif
