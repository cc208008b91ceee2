/*
 * backend: the socket's questions to the database, answered on its worker lanes through readers of their own, which never
 * wait for the writer. A reader is opened at the lane's first question.
 */
#ifndef BELLROPE_APP_BACKEND_H
#define BELLROPE_APP_BACKEND_H

#include "io/socket.h"

struct backend;

/* NULL where memory is short; `path` is copied. */
struct backend *backend_new(const char *path);
/* When no lane runs any more. NULL is fine. */
void backend_free(struct backend *backend);

/* As struct socket_backend has them. */
bool backend_journal(struct backend *backend, int64_t after, int64_t upto, socket_row_fn *row, void *row_ctx,
                     char why[SOCKET_WHY_SIZE]);
char *backend_query(struct backend *backend, const struct socket_query *query, char why[SOCKET_WHY_SIZE]);

#endif
