-- The record of Bellrope, schema version 1. One SQLite database holds any number of dives.
--
-- What is stored. The journal is the record: one row for every change, numbered by seq from 1 without a gap, with the JSON text that was
-- published, byte for byte. All other tables are the same facts in columns, written in the same transaction as their journal row; each row
-- carries the seq it came from. Telemetry and clock observations are the only data without journal rows.
--
-- Rules that always hold
--   * A row is never deleted, and these are never updated: run, journal, marker, settled, link, identification, measurement, remark, strike,
--     notice, refused, clock_observation. What became known later is a new row.
--   * sighting, span, sample, dive and seat hold the present state and are overwritten by the next one; the journal has every earlier state.
--   * telemetry holds blocks of samples; the last block of a series grows in place until it is full.
--   * Nothing is in a table without its journal row. The other way round there is one exception: where a constraint refused the row, `refused`
--     has the seq and the reason. That happens when a pad delivers a press that is stored already: marker holds every press once.
--   * dive is '' for what was made while no dive was open. Numbers run from 1 in each dive, and in '' as well.
--   * NULL: not known, not said, or none. No other value stands for it.
--
-- Time. *_mono_ns is the host's monotonic clock (it counts while the machine sleeps) and compares only within one run.host_boot_id.
-- *_utc_ns is nanoseconds since 1970-01-01T00:00:00Z, leap seconds not counted. *_bound_ns is half the width of the interval that holds the
-- truth. clock says how far UTC can be trusted: synced, holdover, unsynced (nobody disciplines the clock: no bound) or none (no UTC at all).
--
-- Views named *_now give the latest of everything, with times as text; they are what people should read. Numbers of records are as in
-- their references: marker 112 of dive D007 is D007-M0112, sighting 31 is D007-S031, span T, sample A.

-- One start of the program.
CREATE TABLE run (
  id             INTEGER PRIMARY KEY,
  started_utc_ns INTEGER,
  host_boot_id   TEXT NOT NULL,   -- names the boot of the machine within which monotonic times compare
  program        TEXT NOT NULL    -- version of the program
) STRICT;

CREATE TABLE journal (
  seq             INTEGER PRIMARY KEY CHECK (seq >= 1),
  type            TEXT NOT NULL,     -- marker, settled, sighting ...; docs/socket.md
  dive            TEXT NOT NULL,
  ref             TEXT,              -- the record that the change is about, 'D007-M0112'
  at_mono_ns      INTEGER NOT NULL,  -- when the change was made
  at_utc_ns       INTEGER,
  at_utc_bound_ns INTEGER,
  at_clock        TEXT NOT NULL,
  run             INTEGER NOT NULL REFERENCES run (id),
  event           TEXT NOT NULL      -- JSON, exactly as published
) STRICT;
CREATE INDEX journal_ref ON journal (ref, seq) WHERE ref IS NOT NULL;
CREATE INDEX journal_seat ON journal (seq) WHERE type = 'seat';

-- Entries without a row of their own, and why.
CREATE TABLE refused (
  seq INTEGER PRIMARY KEY REFERENCES journal (seq),
  why TEXT NOT NULL
) STRICT;

CREATE TABLE dive (
  id           TEXT PRIMARY KEY,
  vehicle      TEXT,
  ship         TEXT,
  site         TEXT,
  planned_bottom_ns INTEGER,  -- time on the bottom that was planned
  begun_seq    INTEGER NOT NULL REFERENCES journal (seq),
  begun_utc_ns INTEGER,
  ended_seq    INTEGER REFERENCES journal (seq),  -- NULL: the dive is open
  ended_utc_ns INTEGER
) STRICT, WITHOUT ROWID;

-- A marker as it was first committed. Later values: settled, link, strike.
CREATE TABLE marker (
  seq     INTEGER PRIMARY KEY REFERENCES journal (seq),
  dive    TEXT NOT NULL,
  number  INTEGER NOT NULL CHECK (number >= 1),
  origin  TEXT NOT NULL CHECK (origin = 'key' OR origin = 'soft' OR origin = 'late'), -- late: entered afterwards for an instant that a person gave
  seat    TEXT,
  who     TEXT,
  pad     TEXT,             -- a press is named by (pad, pad_boot, press_seq); NULL for a soft key
  pad_boot INTEGER,
  press_seq INTEGER,
  tick_us INTEGER,          -- the pad's own clock at key-down
  key     TEXT,
  gesture TEXT,
  kind    TEXT NOT NULL,
  label   TEXT,
  term    TEXT,
  lead_ns INTEGER NOT NULL, -- how far before the press the thing was seen, by the key plan; never taken off the time below
  note    TEXT,
  entered_by TEXT,          -- who entered a soft key or a late entry, where it was said
  phase   TEXT,
  container TEXT,
  gear    TEXT,
  capacity INTEGER,         -- of the container when the key was pressed
  target  INTEGER,          -- the sighting that an 'again' names
  instead_of INTEGER,       -- of a held key or a chord: the marker of the key-down whose place it takes
  sighting INTEGER,         -- number of the sighting it was first linked to
  object  INTEGER,          -- number of the sighting, span, sample or waypoint that it made or ended
  advice  TEXT,             -- why it is not where one might expect it
  settled INTEGER NOT NULL, -- 1: the readings were final when it was committed
  mono_ns INTEGER NOT NULL,
  mono_bound_ns INTEGER,
  utc_ns  INTEGER,
  utc_bound_ns INTEGER,
  clock   TEXT NOT NULL,
  timecode TEXT,
  timecode_rate TEXT,
  timecode_frame INTEGER,   -- count of frames since 00:00:00:00
  timecode_within REAL,     -- how far into the frame, 0 to 1
  timecode_bound_frames REAL,
  timecode_state TEXT NOT NULL,  -- locked, holdover, none
  lat_deg REAL,             -- WGS 84
  lon_deg REAL,
  position_uncertainty_m REAL,
  position_source TEXT,     -- vehicle or ship
  position_feed TEXT,
  position_method TEXT,
  position_age_s REAL,
  channels TEXT NOT NULL,   -- JSON: channel name to an object of v (value), age_s, method, feed
  UNIQUE (dive, number),
  UNIQUE (pad, pad_boot, press_seq)
) STRICT;

-- What became known about a marker afterwards: new values of the parts that changed. The time is always given; where timecode_state is NULL
-- the timecode stays as it was, where channels is NULL position and readings do.
CREATE TABLE settled (
  seq     INTEGER PRIMARY KEY REFERENCES journal (seq),
  dive    TEXT NOT NULL,
  marker  INTEGER NOT NULL,
  cause   TEXT NOT NULL,    -- bracketed, waited, clock, clap ...
  mono_ns INTEGER NOT NULL,
  mono_bound_ns INTEGER,
  utc_ns  INTEGER,
  utc_bound_ns INTEGER,
  clock   TEXT NOT NULL,
  timecode TEXT,
  timecode_rate TEXT,
  timecode_frame INTEGER,
  timecode_within REAL,
  timecode_bound_frames REAL,
  timecode_state TEXT,
  lat_deg REAL,
  lon_deg REAL,
  position_uncertainty_m REAL,
  position_source TEXT,
  position_feed TEXT,
  position_method TEXT,
  position_age_s REAL,
  channels TEXT
) STRICT;
CREATE INDEX settled_marker ON settled (dive, marker, seq);

-- A marker that belongs elsewhere after the record was put in order.
CREATE TABLE link (
  seq       INTEGER PRIMARY KEY REFERENCES journal (seq),
  dive      TEXT NOT NULL,
  marker    INTEGER NOT NULL,
  sighting  INTEGER,
  object    INTEGER,
  struck_by INTEGER,        -- the marker of the strike
  advice    TEXT,
  who       TEXT
) STRICT;
CREATE INDEX link_marker ON link (dive, marker, seq);

-- Present state.
CREATE TABLE sighting (
  dive         TEXT NOT NULL,
  number       INTEGER NOT NULL CHECK (number >= 1),
  seq          INTEGER NOT NULL REFERENCES journal (seq),
  seat         TEXT,
  state        TEXT NOT NULL,
  label        TEXT,
  term         TEXT,
  first_marker INTEGER,
  last_marker  INTEGER,
  markers      INTEGER NOT NULL,
  individuals  INTEGER NOT NULL,
  start_utc_ns INTEGER NOT NULL,  -- first press less lead_ns
  lead_ns      INTEGER NOT NULL,
  end_utc_ns   INTEGER,
  closed_by    TEXT,
  tie          TEXT,              -- this one's relation: the sighting tied_to does it to this one
  tie_term     TEXT,
  tied_to      INTEGER,
  again_of     INTEGER,           -- the earlier sighting of the same animal
  recomputed   INTEGER NOT NULL,
  PRIMARY KEY (dive, number)
) STRICT, WITHOUT ROWID;

-- Present state. kind: span, transect or phase.
CREATE TABLE span (
  dive         TEXT NOT NULL,
  number       INTEGER NOT NULL CHECK (number >= 1),
  seq          INTEGER NOT NULL REFERENCES journal (seq),
  kind         TEXT NOT NULL,
  transect     INTEGER,           -- number of the transect
  label        TEXT,
  term         TEXT,
  seat         TEXT,
  state        TEXT NOT NULL,
  first_marker INTEGER,
  last_marker  INTEGER,
  start_utc_ns INTEGER NOT NULL,
  end_utc_ns   INTEGER,
  closed_by    TEXT,
  recomputed   INTEGER NOT NULL,
  PRIMARY KEY (dive, number)
) STRICT, WITHOUT ROWID;

-- Present state. A number is never used twice; that of a struck sample is retired. A sample that a full container
-- refused has no number and no row here; the journal tells of it.
CREATE TABLE sample (
  dive         TEXT NOT NULL,
  number       INTEGER NOT NULL CHECK (number >= 1),
  seq          INTEGER NOT NULL REFERENCES journal (seq),
  state        TEXT NOT NULL,
  container    TEXT,
  gear         TEXT,
  seat         TEXT,
  label        TEXT,
  term         TEXT,
  note         TEXT,
  marker       INTEGER,
  sighting     INTEGER,           -- in hand when it was taken
  taken_utc_ns INTEGER NOT NULL,
  why          TEXT,
  recomputed   INTEGER NOT NULL,
  PRIMARY KEY (dive, number)
) STRICT, WITHOUT ROWID;

-- target is the reference as it was given; target_dive, target_letter and target_number are its parts. Letter and number are NULL where the
-- dive itself is meant.
CREATE TABLE identification (
  seq           INTEGER PRIMARY KEY REFERENCES journal (seq),
  target        TEXT NOT NULL,
  target_dive   TEXT NOT NULL,
  target_letter TEXT,
  target_number INTEGER,
  name          TEXT NOT NULL,
  verbatim      TEXT,   -- as it was typed
  rank          TEXT,
  qualifier     TEXT,
  name_id       TEXT,   -- identifier, as the checklist or the person gave it
  listed        INTEGER,  -- 1: the name is on the checklist, 0: it is not, NULL: there was no checklist
  who           TEXT,
  why           TEXT
) STRICT;
CREATE INDEX identification_target ON identification (target_dive, target_letter, target_number, seq);

-- A length measured in a picture, from two parallel laser dots a known distance apart (daemon/core/laserscale.h). A history, like names: the
-- latest counts. sigma_m is one standard deviation of the random error; a slanted object, or one nearer than the dots, is not in it.
CREATE TABLE measurement (
  seq           INTEGER PRIMARY KEY REFERENCES journal (seq),
  target        TEXT NOT NULL,
  target_dive   TEXT NOT NULL,
  target_letter TEXT,
  target_number INTEGER,
  quantity      TEXT NOT NULL,   -- length
  method        TEXT NOT NULL,   -- paired lasers
  value_m       REAL NOT NULL,
  sigma_m       REAL NOT NULL,
  object_pixels REAL NOT NULL,
  laser_pixels  REAL NOT NULL,   -- between the dots
  pixel_sigma   REAL NOT NULL,   -- how well one end was set
  spacing_m     REAL NOT NULL,   -- of the lasers
  spacing_sigma_m REAL NOT NULL,
  note          TEXT,
  who           TEXT
) STRICT;
CREATE INDEX measurement_target ON measurement (target_dive, target_letter, target_number, seq);

CREATE TABLE remark (
  seq           INTEGER PRIMARY KEY REFERENCES journal (seq),
  target        TEXT NOT NULL,
  target_dive   TEXT NOT NULL,
  target_letter TEXT,
  target_number INTEGER,
  text          TEXT NOT NULL,
  who           TEXT
) STRICT;
CREATE INDEX remark_target ON remark (target_dive, target_letter, target_number, seq);

CREATE TABLE strike (
  seq           INTEGER PRIMARY KEY REFERENCES journal (seq),
  target        TEXT NOT NULL,
  target_dive   TEXT NOT NULL,
  target_letter TEXT,
  target_number INTEGER,
  restored      INTEGER NOT NULL,  -- 1: the record stands again
  by_marker     INTEGER,           -- the marker of the strike key; NULL: struck by name
  who           TEXT,
  why           TEXT
) STRICT;
CREATE INDEX strike_target ON strike (target_dive, target_letter, target_number, seq);

-- Present state: who sits where.
CREATE TABLE seat (
  seat TEXT PRIMARY KEY,
  seq  INTEGER NOT NULL REFERENCES journal (seq),
  who  TEXT                        -- NULL: nobody said
) STRICT, WITHOUT ROWID;

-- Pads, feeds, clocks, timecode and faults: what it is about, what happened, a sentence for people.
CREATE TABLE notice (
  seq   INTEGER PRIMARY KEY REFERENCES journal (seq),
  type  TEXT NOT NULL,
  about TEXT NOT NULL,
  state TEXT NOT NULL,
  text  TEXT,
  value REAL
) STRICT;

-- At a on the clock named, host monotonic time lay in the interval from lo to hi ('utc': a is monotonic and UTC lay there). With these rows
-- times can be worked out anew after the dive. 'clap': the recorder's timecode is off by a millionths of a frame, within lo to hi.
CREATE TABLE clock_observation (
  id    INTEGER PRIMARY KEY,
  run   INTEGER NOT NULL REFERENCES run (id),
  clock TEXT NOT NULL,
  a     INTEGER NOT NULL,
  lo    INTEGER NOT NULL,
  hi    INTEGER NOT NULL
) STRICT;
CREATE INDEX clock_observation_clock ON clock_observation (clock, id);

-- One channel as one feed delivered it.
CREATE TABLE series (
  id      INTEGER PRIMARY KEY,
  channel TEXT NOT NULL,
  feed    TEXT NOT NULL,
  UNIQUE (channel, feed)
) STRICT;

-- A block of samples of one series and run, at most 512 and at most 10 minutes. `block` holds times and values, lossless, in the form that
-- daemon/core/sampleblock.h describes. first and last are the earliest and latest time in it. UTC of a sample lies on the line through the
-- two ends: a block is closed where UTC steps against the monotonic clock.
CREATE TABLE telemetry (
  id            INTEGER PRIMARY KEY,
  series        INTEGER NOT NULL REFERENCES series (id),
  run           INTEGER NOT NULL REFERENCES run (id),
  samples       INTEGER NOT NULL CHECK (samples >= 1),
  first_mono_ns INTEGER NOT NULL,
  last_mono_ns  INTEGER NOT NULL,
  first_utc_ns  INTEGER,
  last_utc_ns   INTEGER,
  low           REAL NOT NULL,
  high          REAL NOT NULL,
  block         BLOB NOT NULL
) STRICT;
CREATE INDEX telemetry_series ON telemetry (series, first_utc_ns);

-- Markers with the latest of everything. pressed_utc is the time as first committed.
CREATE VIEW marker_now AS
SELECT m.seq AS seq, m.dive AS dive, m.number AS number,
       CASE m.dive WHEN '' THEN '' ELSE m.dive || '-' END || printf('M%04d', m.number) AS ref,
       strftime('%Y-%m-%dT%H:%M:%fZ', CASE WHEN w.seq IS NULL THEN m.utc_ns ELSE w.utc_ns END / 1000000 / 1000.0, 'unixepoch') AS utc,
       CASE WHEN w.seq IS NULL THEN m.utc_bound_ns ELSE w.utc_bound_ns END / 1e6 AS utc_bound_ms,
       strftime('%Y-%m-%dT%H:%M:%fZ', m.utc_ns / 1000000 / 1000.0, 'unixepoch') AS pressed_utc,
       CASE WHEN t.seq IS NULL THEN m.timecode ELSE t.timecode END AS timecode,
       CASE WHEN t.seq IS NULL THEN m.timecode_rate ELSE t.timecode_rate END AS timecode_rate,
       CASE WHEN t.seq IS NULL THEN m.timecode_frame ELSE t.timecode_frame END AS timecode_frame,
       CASE WHEN t.seq IS NULL THEN m.timecode_within ELSE t.timecode_within END AS timecode_within,
       CASE WHEN t.seq IS NULL THEN m.timecode_bound_frames ELSE t.timecode_bound_frames END AS timecode_bound_frames,
       CASE WHEN t.seq IS NULL THEN m.timecode_state ELSE t.timecode_state END AS timecode_state,
       m.origin AS origin, m.seat AS seat, CASE WHEN l.seq IS NULL THEN m.who ELSE l.who END AS who,
       m.pad AS pad, m.pad_boot AS pad_boot, m.press_seq AS press_seq, m.tick_us AS tick_us,
       m.key AS key, m.gesture AS gesture, m.kind AS kind, m.label AS label, m.term AS term, m.lead_ns AS lead_ns, m.note AS note,
       m.entered_by AS entered_by,
       m.phase AS phase, m.container AS container, m.gear AS gear, m.capacity AS capacity, m.target AS target, m.instead_of AS instead_of,
       CASE WHEN l.seq IS NULL THEN m.sighting ELSE l.sighting END AS sighting,
       CASE WHEN l.seq IS NULL THEN m.object ELSE l.object END AS object,
       CASE WHEN l.seq IS NULL THEN m.advice ELSE l.advice END AS advice,
       l.struck_by AS struck_by,
       coalesce((SELECT NOT k.restored FROM strike k
                 WHERE k.target_dive = m.dive AND k.target_letter = 'M' AND k.target_number = m.number
                 ORDER BY k.seq DESC LIMIT 1), 0) AS struck,
       m.settled OR p.seq IS NOT NULL AS settled,
       (SELECT count(*) FROM settled x WHERE x.dive = m.dive AND x.marker = m.number) AS settlings,
       CASE WHEN p.seq IS NULL THEN m.lat_deg ELSE p.lat_deg END AS lat_deg,
       CASE WHEN p.seq IS NULL THEN m.lon_deg ELSE p.lon_deg END AS lon_deg,
       CASE WHEN p.seq IS NULL THEN m.position_uncertainty_m ELSE p.position_uncertainty_m END AS position_uncertainty_m,
       CASE WHEN p.seq IS NULL THEN m.position_source ELSE p.position_source END AS position_source,
       CASE WHEN p.seq IS NULL THEN m.position_feed ELSE p.position_feed END AS position_feed,
       CASE WHEN p.seq IS NULL THEN m.position_method ELSE p.position_method END AS position_method,
       CASE WHEN p.seq IS NULL THEN m.position_age_s ELSE p.position_age_s END AS position_age_s,
       CASE WHEN p.seq IS NULL THEN m.channels ELSE p.channels END AS channels,
       CASE WHEN w.seq IS NULL THEN m.mono_ns ELSE w.mono_ns END AS mono_ns,
       CASE WHEN w.seq IS NULL THEN m.mono_bound_ns ELSE w.mono_bound_ns END AS mono_bound_ns,
       CASE WHEN w.seq IS NULL THEN m.utc_ns ELSE w.utc_ns END AS utc_ns,
       CASE WHEN w.seq IS NULL THEN m.utc_bound_ns ELSE w.utc_bound_ns END AS utc_bound_ns,
       CASE WHEN w.seq IS NULL THEN m.clock ELSE w.clock END AS clock
FROM marker m
LEFT JOIN settled w ON w.seq = (SELECT max(x.seq) FROM settled x WHERE x.dive = m.dive AND x.marker = m.number)
LEFT JOIN settled t ON t.seq = (SELECT max(x.seq) FROM settled x
                                WHERE x.dive = m.dive AND x.marker = m.number AND x.timecode_state IS NOT NULL)
LEFT JOIN settled p ON p.seq = (SELECT max(x.seq) FROM settled x
                                WHERE x.dive = m.dive AND x.marker = m.number AND x.channels IS NOT NULL)
LEFT JOIN link l ON l.seq = (SELECT max(x.seq) FROM link x WHERE x.dive = m.dive AND x.marker = m.number);

-- Sightings with their latest identification and length.
CREATE VIEW sighting_now AS
SELECT CASE g.dive WHEN '' THEN '' ELSE g.dive || '-' END || printf('S%03d', g.number) AS ref,
       g.dive AS dive, g.number AS number, g.seat AS seat, g.state AS state, g.label AS label, g.term AS term,
       g.start_utc_ns AS start_utc_ns, g.end_utc_ns AS end_utc_ns,
       strftime('%Y-%m-%dT%H:%M:%fZ', g.start_utc_ns / 1000000 / 1000.0, 'unixepoch') AS start_utc,
       strftime('%Y-%m-%dT%H:%M:%fZ', g.end_utc_ns / 1000000 / 1000.0, 'unixepoch') AS end_utc,
       g.closed_by AS closed_by, g.markers AS markers, g.individuals AS individuals,
       g.tie AS tie, g.tied_to AS tied_to, g.again_of AS again_of,
       i.name AS name, i.rank AS rank, i.qualifier AS qualifier, i.name_id AS name_id, i.listed AS listed, i.who AS identified_by,
       z.value_m AS length_m, z.sigma_m AS length_sigma_m
FROM sighting g
LEFT JOIN measurement z ON z.seq = (SELECT max(x.seq) FROM measurement x
                                    WHERE x.target_dive = g.dive AND x.target_letter = 'S' AND x.target_number = g.number)
LEFT JOIN identification i ON i.seq = (SELECT max(x.seq) FROM identification x
                                       WHERE x.target_dive = g.dive AND x.target_letter = 'S' AND x.target_number = g.number);

CREATE VIEW span_now AS
SELECT CASE p.dive WHEN '' THEN '' ELSE p.dive || '-' END || printf('T%03d', p.number) AS ref,
       p.dive AS dive, p.number AS number, p.kind AS kind, p.transect AS transect, p.label AS label, p.seat AS seat, p.state AS state,
       strftime('%Y-%m-%dT%H:%M:%fZ', p.start_utc_ns / 1000000 / 1000.0, 'unixepoch') AS start_utc,
       strftime('%Y-%m-%dT%H:%M:%fZ', p.end_utc_ns / 1000000 / 1000.0, 'unixepoch') AS end_utc,
       (p.end_utc_ns - p.start_utc_ns) / 1e9 AS duration_s, p.closed_by AS closed_by
FROM span p;

CREATE VIEW sample_now AS
SELECT CASE a.dive WHEN '' THEN '' ELSE a.dive || '-' END || printf('A%03d', a.number) AS ref,
       a.dive AS dive, a.number AS number, a.state AS state, a.container AS container, a.gear AS gear, a.label AS label, a.note AS note,
       strftime('%Y-%m-%dT%H:%M:%fZ', a.taken_utc_ns / 1000000 / 1000.0, 'unixepoch') AS taken_utc,
       m.lat_deg AS lat_deg, m.lon_deg AS lon_deg, m.position_uncertainty_m AS position_uncertainty_m, a.why AS why
FROM sample a
LEFT JOIN marker_now m ON m.dive = a.dive AND m.number = a.marker;

-- What is stored of each channel: enough to see ranges without decoding a block.
CREATE VIEW telemetry_now AS
SELECT s.channel AS channel, s.feed AS feed, sum(t.samples) AS samples,
       strftime('%Y-%m-%dT%H:%M:%fZ', min(t.first_utc_ns) / 1000000 / 1000.0, 'unixepoch') AS first_utc,
       strftime('%Y-%m-%dT%H:%M:%fZ', max(t.last_utc_ns) / 1000000 / 1000.0, 'unixepoch') AS last_utc,
       min(t.low) AS low, max(t.high) AS high, sum(length(t.block)) AS bytes
FROM telemetry t JOIN series s ON s.id = t.series
GROUP BY t.series;
