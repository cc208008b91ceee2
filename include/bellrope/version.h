/* version: the one place that names the release and the versions of what is written to disk or to the wire. */
#ifndef BELLROPE_VERSION_H
#define BELLROPE_VERSION_H

#define BELLROPE_VERSION "0.1.0"

#endif
