#include "live_daemon.h"

#include "bench.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

static char made[sizeof((struct live_daemon *)0)->folder];
static pid_t running, owner;

void live_fail(const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vfprintf(stderr, format, args);
    va_end(args);
    fputc('\n', stderr);
    exit(1);
}

static int remove_one(const char *path, const struct stat *status, int type, struct FTW *walk)
{
    (void)status;
    (void)type;
    (void)walk;
    return remove(path);
}

static void clean(void)
{
    if (getpid() != owner)
        return;
    if (running > 0)
        (void)kill(running, SIGKILL);
    (void)nftw(made, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

void live_folder(struct live_daemon *daemon)
{
    const char *place = getenv("TMPDIR");
    *daemon = (struct live_daemon){.pid = 0};
    snprintf(daemon->folder, sizeof daemon->folder, "%s/bellrope-bench.XXXXXX", place ? place : "/tmp");
    if (mkdtemp(daemon->folder) == NULL)
        live_fail("no folder %s: %s", daemon->folder, strerror(errno));
    snprintf(made, sizeof made, "%s", daemon->folder);
    snprintf(daemon->database, sizeof daemon->database, "%s/dive.db", daemon->folder);
    snprintf(daemon->socket, sizeof daemon->socket, "%s/sock", daemon->folder);
    snprintf(daemon->config, sizeof daemon->config, "%s/a.ini", daemon->folder);
    owner = getpid();
    atexit(clean);
}

void live_configure(struct live_daemon *daemon, const char *more)
{
    FILE *out = fopen(daemon->config, "w");
    if (out == NULL)
        live_fail("%s: %s", daemon->config, strerror(errno));
    fprintf(out,
            "[dive]\nid = B001\nvehicle = Quill\nship = Lantern Gull\nsite = Hollin Bank\n"
            "[store]\nfile = dive.db\n[timecode]\nsource = time-of-day\nrate = 25\n"
            "[socket]\nunix = sock\n%s",
            more);
    fclose(out);
}

/* Beside this program. */
static void program_path(char *out, size_t size)
{
    char self[512];
    ssize_t len = readlink("/proc/self/exe", self, sizeof self - 1);
    self[len < 0 ? 0 : len] = '\0';
    char *slash = strrchr(self, '/');
    snprintf(out, size, "%.*s/bellroped", slash != NULL ? (int)(slash - self) : 0, self);
}

int live_connect(const char *path)
{
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    snprintf(to.sun_path, sizeof to.sun_path, "%s", path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        live_fail("no socket: %s", strerror(errno));
    if (connect(fd, (struct sockaddr *)&to, sizeof to) == 0)
        return fd;
    close(fd);
    return -1;
}

size_t live_ask(int fd, const char *question, char *answer, size_t size)
{
    size_t len = 0, asked = strlen(question);
    if (write(fd, question, asked) != (ssize_t)asked)
        live_fail("the socket took no question: %s", strerror(errno));
    while (len == 0 || answer[len - 1] != '\n') {
        ssize_t got = read(fd, answer + len, size - 1 - len);
        if (got <= 0)
            live_fail("no answer from the socket to %s", question);
        len += (size_t)got;
    }
    answer[len] = '\0';
    return len;
}

double live_start(struct live_daemon *daemon)
{
    char program[600], log[160], answer[65536];
    int fd;
    program_path(program, sizeof program);
    snprintf(log, sizeof log, "%s/log", daemon->folder);
    double begun = bench_wall_s();
    pid_t pid = fork();
    if (pid == 0) {
        int to = open(log, O_WRONLY | O_CREAT | O_APPEND, 0644);
        dup2(to, 2);
        execl(program, program, "--config", daemon->config, (char *)NULL);
        _exit(127);
    }
    daemon->pid = running = pid;
    while ((fd = live_connect(daemon->socket)) < 0) {
        if (waitpid(pid, NULL, WNOHANG) != 0 || bench_wall_s() - begun > 30)
            live_fail("%s did not start on %s", program, daemon->config);
        usleep(50);
    }
    live_ask(fd, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"status\"}\n", answer, sizeof answer);
    double seconds = bench_wall_s() - begun;
    close(fd);
    return seconds;
}

void live_stop(struct live_daemon *daemon)
{
    int status = -1;
    (void)kill(daemon->pid, SIGTERM);
    (void)waitpid(daemon->pid, &status, 0);
    if (status != 0)
        live_fail("bellroped ended with status %d", status);
    daemon->pid = running = 0;
}

double live_cpu_s(pid_t pid)
{
    clockid_t clock;
    struct timespec used = {0};
    if (clock_getcpuclockid(pid, &clock) != 0 || clock_gettime(clock, &used) != 0)
        live_fail("process %d is gone", (int)pid);
    return (double)used.tv_sec + (double)used.tv_nsec / 1e9;
}

const char *live_plans(void)
{
    return BENCH_PLANS;
}

int live_udp_port(void)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t len = sizeof at;
    int fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at) != 0 ||
        getsockname(fd, (struct sockaddr *)&at, &len) != 0)
        live_fail("no UDP port: %s", strerror(errno));
    close(fd);
    return ntohs(at.sin_port);
}

void live_new_dive(const struct live_daemon *daemon, int number)
{
    static char answer[4096];
    char question[160];
    int fd = live_connect(daemon->socket);
    live_ask(fd, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"dive.end\"}\n", answer, sizeof answer);
    snprintf(question, sizeof question,
             "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"dive.begin\",\"params\":{\"id\":\"N%03d\"}}\n",
             number);
    live_ask(fd, question, answer, sizeof answer);
    close(fd);
}

int64_t live_int(const struct live_daemon *daemon, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    if (sqlite3_open_v2(daemon->database, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK ||
        sqlite3_busy_timeout(db, 1000) != SQLITE_OK ||
        sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) != SQLITE_OK || sqlite3_step(stmt) != SQLITE_ROW)
        live_fail("%s: %s", sql, sqlite3_errmsg(db));
    int64_t value = sqlite3_column_int64(stmt, 0);
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return value;
}
