#!/bin/sh
# The quick part of tests/lint.sh, all of it with BELLROPE_LONG=1.
exec sh "$(dirname "$0")/../lint.sh" "$@"
