/*
 * keyterm: what a key stands for in words that others use: "prefix:name" or "prefix:name=value".
 *
 *   dwc:behavior=feeding    a Darwin Core term (https://dwc.tdwg.org/terms/) and what the key says for it; without a value, the key's label
 *   rope:ask                ours, for what no standard names: ask (shore is asked for a name), view (a view worth a still), scale (the paired
 *                           lasers are on the subject)
 *   other:anything          any other vocabulary; kept as it is
 *
 * Unknown names after "rope:" are refused. After "dwc:" a name that is nearly, but not quite, a term that keys are commonly given is taken for
 * a slip and refused; other names pass, because the standard grows.
 */
#ifndef BELLROPE_CORE_KEYTERM_H
#define BELLROPE_CORE_KEYTERM_H

#include <stdbool.h>
#include <stddef.h>

/* True: well-formed. False: `why` (cut to `size`) says what is wrong and what is accepted. */
bool keyterm_check(const char *term, char *why, size_t size);

#endif
