-- Who may write to a record system. The epoch stays when the lease is given back, so that it never repeats.
CREATE TABLE record_system (
  key TEXT PRIMARY KEY,
  epoch INTEGER NOT NULL CHECK (epoch > 0),
  holder TEXT,
  since INTEGER,
  until INTEGER,
  CHECK ((holder IS NULL) = (since IS NULL) AND (holder IS NULL) = (until IS NULL))
);

-- Each writing sweep, from before its first write; carried_through says whether it came to its end.
CREATE TABLE sweep (
  number INTEGER PRIMARY KEY,
  record_system TEXT NOT NULL REFERENCES record_system (key),
  epoch INTEGER NOT NULL,
  at INTEGER NOT NULL,
  policy TEXT NOT NULL,
  first INTEGER NOT NULL CHECK (first IN (0, 1)),
  carried_through INTEGER NOT NULL DEFAULT 0 CHECK (carried_through IN (0, 1))
);
CREATE INDEX sweep_by_record_system ON sweep (record_system, number);

CREATE TABLE sweep_count (
  sweep INTEGER NOT NULL REFERENCES sweep (number),
  what TEXT NOT NULL,
  kind TEXT NOT NULL,
  count INTEGER NOT NULL CHECK (count >= 0),
  held INTEGER NOT NULL CHECK (held IN (0, 1)),
  PRIMARY KEY (sweep, what, kind)
);
