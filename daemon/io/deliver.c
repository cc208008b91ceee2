#include "io/deliver.h"

#include "core/fields.h"
#include "io/hostclock.h"

void deliver_state(const struct deliver *deliver, enum input_kind kind, int source, const char *op,
                   const char *why)
{
    char record[512];
    struct fields_writer writer;
    fields_begin(&writer, record, sizeof record, op);
    if (why != NULL)
        fields_put(&writer, "why", why);
    deliver->fn(deliver->ctx, kind, source, hostclock_now(), record, writer.len);
}
