// Package record reads and writes the project's plain files: platforms.json
// and the tables readings.csv, events.csv, codes.csv, outlooks.csv,
// warnings.csv, rejects.csv and, beside simulated fleets, truth.csv.
//
// Every table has a header line; columns are found by name, in any order, and
// unknown columns are ignored. Times are RFC 3339. An empty cell means not
// taken or not applicable. A row that cannot be read costs that row alone: the
// readers return a *RowError for it, which names the row, the field, the value
// and what is allowed, and go on with the next row.
package record
