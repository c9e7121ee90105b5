//go:build !js

package sqlite

const (
	applicationID = 0x63426b31
	schemaVersion = 1
)

// The partial index leaves out the two kinds that make up nearly all of a ledger; a scan for them reads the table.
const schema = `
CREATE TABLE logs (
	device INTEGER PRIMARY KEY,
	name   TEXT NOT NULL UNIQUE
) STRICT;
CREATE TABLE events (
	n      INTEGER PRIMARY KEY,
	device INTEGER NOT NULL REFERENCES logs(device),
	seq    INTEGER NOT NULL,
	id     BLOB,
	kind   TEXT NOT NULL,
	ms     INTEGER NOT NULL,
	ord    TEXT,
	line   BLOB NOT NULL,
	UNIQUE (device, seq)
) STRICT;
CREATE INDEX events_id ON events(id);
CREATE INDEX events_ord ON events(ord) WHERE ord IS NOT NULL;
CREATE INDEX events_kind ON events(kind) WHERE kind NOT IN ('order', 'pack');
CREATE TABLE doubled (id BLOB PRIMARY KEY) STRICT, WITHOUT ROWID;
CREATE TABLE checkpoints (
	key     TEXT NOT NULL,
	ms      INTEGER NOT NULL,
	rank    INTEGER NOT NULL,
	id      BLOB NOT NULL,
	arrived INTEGER NOT NULL,
	state   BLOB NOT NULL,
	sum     BLOB NOT NULL,
	UNIQUE (key, ms, rank, id)
) STRICT;
CREATE TRIGGER events_update BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER logs_update BEFORE UPDATE ON logs BEGIN SELECT RAISE(ABORT, 'logs are never changed'); END;
CREATE TRIGGER logs_delete BEFORE DELETE ON logs BEGIN SELECT RAISE(ABORT, 'logs are never deleted'); END;
`

const (
	qScan    = `SELECT n, line FROM events WHERE n > ? ORDER BY n`
	qByID    = `SELECT n, line FROM events WHERE id = ? ORDER BY n`
	qHas     = `SELECT 1 FROM events WHERE id = ? LIMIT 1`
	qByOrder = `SELECT n, line FROM events WHERE ord = ? ORDER BY n`
	qAt      = `SELECT n, line FROM events WHERE device = (SELECT device FROM logs WHERE name = ?) AND seq = ?`
	qLog     = `SELECT n, line FROM events WHERE device = (SELECT device FROM logs WHERE name = ?) AND seq BETWEEN ? AND ? ORDER BY seq`
	qPlace   = `SELECT n, line FROM events WHERE device = ? AND seq = ?`
	// A log in the file has events; its head and its number come with one look, and with them the store's last number.
	qHead = `SELECT logs.device, seq, n, line, (SELECT max(n) FROM events) FROM logs JOIN events USING (device) WHERE name = ? ORDER BY seq DESC LIMIT 1`
	// CROSS JOIN keeps the order: from each log to its last event, and not through all events.
	qHeads = `SELECT name, seq, line FROM logs CROSS JOIN events
		ON events.device = logs.device AND seq = (SELECT max(seq) FROM events AS e WHERE e.device = logs.device)`
	qLast    = `SELECT coalesce(max(n), 0) FROM events`
	qDoubled = `SELECT id FROM doubled ORDER BY id`
	// Each late event looks for its own id; walking all the doubled ones would take longer with every year.
	qDoubledAfter = `SELECT id FROM events WHERE n > ? AND +id IN (SELECT id FROM doubled) ORDER BY n`
	qSince        = `SELECT n, line FROM events WHERE ms >= ? ORDER BY ms, n`
	// Only folds from a checkpoint ask by time, so that the index comes with the first of them, also in files of before.
	qByTime   = `CREATE INDEX IF NOT EXISTS events_ms ON events(ms)`
	qInsert   = `INSERT INTO events (n, device, seq, id, kind, ms, ord, line) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`
	qNewLog   = `INSERT INTO logs (name) VALUES (?)`
	qDouble   = `INSERT OR IGNORE INTO doubled (id) SELECT ?1 WHERE EXISTS (SELECT 1 FROM events WHERE id = ?1)`
	qKindsAll = `SELECT n, line FROM events WHERE n > ? AND kind IN (%s) ORDER BY n`
	// The numbers come from the index, in order, and the lines by number: no line goes through a sorter.
	qKindsFew = `SELECT n, line FROM events WHERE n IN (SELECT n FROM events INDEXED BY events_kind
		WHERE kind NOT IN ('order', 'pack') AND n > ? AND kind IN (%s)) ORDER BY n`
)
