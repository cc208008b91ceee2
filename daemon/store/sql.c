#include "store/sql.h"

#include <string.h>

struct sql_bind sql_bind_begin(sqlite3_stmt *stmt)
{
    return (struct sql_bind){.stmt = stmt, .rc = SQLITE_OK};
}

static void keep(struct sql_bind *bind, int rc)
{
    if (bind->rc == SQLITE_OK)
        bind->rc = rc;
}

void sql_bind_null(struct sql_bind *bind)
{
    keep(bind, sqlite3_bind_null(bind->stmt, ++bind->at));
}

void sql_bind_int(struct sql_bind *bind, int64_t value)
{
    keep(bind, sqlite3_bind_int64(bind->stmt, ++bind->at, value));
}

void sql_bind_int_if(struct sql_bind *bind, bool known, int64_t value)
{
    if (known)
        sql_bind_int(bind, value);
    else
        sql_bind_null(bind);
}

void sql_bind_number(struct sql_bind *bind, uint32_t number)
{
    sql_bind_int_if(bind, number != 0, number);
}

void sql_bind_bound(struct sql_bind *bind, int64_t bound_ns)
{
    sql_bind_int_if(bind, bound_ns >= 0, bound_ns);
}

void sql_bind_real(struct sql_bind *bind, double value)
{
    keep(bind, sqlite3_bind_double(bind->stmt, ++bind->at, value));
}

void sql_bind_real_if(struct sql_bind *bind, bool known, double value)
{
    if (known)
        sql_bind_real(bind, value);
    else
        sql_bind_null(bind);
}

void sql_bind_text_of(struct sql_bind *bind, const char *text, size_t len)
{
    keep(bind, sqlite3_bind_text64(bind->stmt, ++bind->at, text, len, SQLITE_STATIC, SQLITE_UTF8));
}

void sql_bind_text(struct sql_bind *bind, const char *text)
{
    sql_bind_text_of(bind, text, strlen(text));
}

void sql_bind_text_if(struct sql_bind *bind, const char *text)
{
    if (text[0] != '\0')
        sql_bind_text(bind, text);
    else
        sql_bind_null(bind);
}

void sql_bind_blob(struct sql_bind *bind, const void *bytes, size_t len)
{
    keep(bind, sqlite3_bind_blob64(bind->stmt, ++bind->at, bytes, len, SQLITE_STATIC));
}

int sql_run(struct sql_bind *bind)
{
    int rc = bind->rc;
    if (rc == SQLITE_OK) {
        rc = sqlite3_step(bind->stmt);
        rc = rc == SQLITE_DONE || rc == SQLITE_ROW ? SQLITE_OK
                                                   : sqlite3_extended_errcode(sqlite3_db_handle(bind->stmt));
    }
    int reset = sqlite3_reset(bind->stmt); /* repeats the step's code */
    return rc != SQLITE_OK ? rc : reset;
}

struct sql_take sql_take_begin(sqlite3_stmt *stmt)
{
    return (struct sql_take){.stmt = stmt};
}

int64_t sql_take_int(struct sql_take *take)
{
    return sqlite3_column_int64(take->stmt, take->at++);
}

int64_t sql_take_bound(struct sql_take *take)
{
    int column = take->at++;
    return sqlite3_column_type(take->stmt, column) == SQLITE_NULL ? -1
                                                                  : sqlite3_column_int64(take->stmt, column);
}

uint32_t sql_take_number(struct sql_take *take)
{
    int64_t value = sql_take_int(take);
    return value < 0 || value > UINT32_MAX ? 0 : (uint32_t)value;
}

bool sql_take_bool(struct sql_take *take)
{
    return sql_take_int(take) != 0;
}

double sql_take_real(struct sql_take *take, double absent)
{
    int column = take->at++;
    return sqlite3_column_type(take->stmt, column) == SQLITE_NULL ? absent
                                                                  : sqlite3_column_double(take->stmt, column);
}

void sql_take_text(struct sql_take *take, char *out, size_t size)
{
    const char *text = (const char *)sqlite3_column_text(take->stmt, take->at++);
    size_t len = text != NULL ? strnlen(text, size - 1) : 0;
    if (len > 0)
        memcpy(out, text, len);
    out[len] = '\0';
}
