"""Turns NDJSON files of the reference charting into the same two answers by SQL, without any code of the project.

DuckDB reads the files itself. The rules are written again, from the words of the semantics: the latest valid dressing
change of each Device, and the local calendar days on which a patient had a central line. Reads files, writes none.
"""

from pathlib import Path

import duckdb

CHARTING = "https://linedays.example/fhir/CodeSystem/charting"
LINE_KIND = "https://linedays.example/fhir/CodeSystem/line-kind"
# Central by kind: NHSN central line definition (clinical-facts.md, nhsn-cl-def); arterial and midline lines are not.
CENTRAL = ("nontunnelled-cvc", "picc", "tunnelled-cvc", "dialysis-nontunnelled")

# One column of raw text per file: a row that is cut off must not take its neighbours with it.
ROWS = """
CREATE TABLE {name} AS
SELECT row::JSON AS doc
FROM read_csv('{file}', columns = {{'row': 'VARCHAR'}}, header = false, delim = '\x01', quote = '', escape = '',
              max_line_size = 4000000)
WHERE json_valid(row)
"""

# A time counts if it has its offset; TRY_CAST gives nothing for a day that is not in the calendar.
TIME = r"""
CREATE MACRO instant(t) AS CASE
  WHEN regexp_full_match(t, '\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)') THEN TRY_CAST(t AS TIMESTAMPTZ) END
"""

TABLES = f"""
CREATE TABLE device AS
SELECT doc->>'id' AS device, doc->>'$.patient.reference' AS patient, doc->>'$.type.coding[0].code' AS kind
FROM device_rows WHERE doc->>'$.type.coding[0].system' = '{LINE_KIND}';

CREATE TABLE act AS
SELECT unnest(doc->>'$.focalDevice[*].manipulated.reference') AS link, doc->>'$.subject.reference' AS patient,
       doc->>'$.code.coding[0].code' AS code, instant(doc->>'performedDateTime') AS performed,
       instant(doc->>'$.extension[0].valueDateTime') AS recorded
FROM procedure_rows
WHERE doc->>'status' = 'completed' AND doc->>'$.code.coding[0].system' = '{CHARTING}';

CREATE TABLE line AS
SELECT device.*,
       (SELECT min(performed) FROM act WHERE link = 'Device/' || device AND act.patient = device.patient
          AND code = 'insertion' AND recorded <= $at) AS inserted,
       (SELECT min(performed) FROM act WHERE link = 'Device/' || device AND act.patient = device.patient
          AND code = 'removal' AND performed <= $at AND recorded <= $at) AS removed
FROM device;
"""

LATEST_CHANGE = """
SELECT 'Device/' || device, epoch(max(performed))::BIGINT
FROM line JOIN act ON link = 'Device/' || device AND act.patient = line.patient
WHERE code = 'dressing-change' AND performed >= inserted AND performed <= recorded + INTERVAL 15 MINUTE
  AND performed <= $at AND recorded <= $at
GROUP BY device
"""

DAYS_TOUCHED = """
SELECT patient, count(DISTINCT day)
FROM (
  SELECT patient, unnest(generate_series((inserted AT TIME ZONE $zone)::DATE::TIMESTAMP,
                                         (coalesce(removed, $at) AT TIME ZONE $zone)::DATE::TIMESTAMP, INTERVAL 1 DAY)) AS day
  FROM line WHERE list_contains($central, kind) AND inserted <= $at
)
GROUP BY patient
"""


def latest_changes(folder: Path, at: str) -> dict[str, int]:
    """Return the epoch of the latest valid dressing change of each Device that has one, as known at `at`."""
    with _open(folder, at) as engine:
        return dict(engine.execute(_dated(LATEST_CHANGE, at)).fetchall())


def central_days(folder: Path, at: str, zone: str) -> dict[str, int]:
    """Return how many local calendar days each patient had a central line for any part of the day, up to `at`."""
    with _open(folder, at) as engine:
        return dict(engine.execute(_dated(DAYS_TOUCHED, at), {"zone": zone, "central": list(CENTRAL)}).fetchall())


def _open(folder: Path, at: str) -> duckdb.DuckDBPyConnection:
    engine = duckdb.connect()
    engine.execute("SET TimeZone = 'UTC'")
    engine.execute(TIME)
    for resource_type in ("Device", "Procedure"):
        engine.execute(ROWS.format(name=f"{resource_type.lower()}_rows", file=folder / f"{resource_type}.ndjson"))
    engine.execute(_dated(TABLES, at))
    return engine


def _dated(statement: str, at: str) -> str:
    return statement.replace("$at", f"TIMESTAMPTZ '{at}'")
