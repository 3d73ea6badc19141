package store

import (
	"context"
	"regexp"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/wire"
)

// EraseVehicle puts a pseudonym in the place of a vehicle's names wherever they
// stand, and has its tracks computed anew. It returns how many rows it changed.
func (t *Tx) EraseVehicle(ctx context.Context, key int64, pseudonym string, now time.Time) (int64, error) {
	names, err := t.namesOf(ctx, key)
	if err != nil {
		return 0, err
	}
	if err := t.dropUploads(ctx); err != nil {
		return 0, err
	}
	loose := standing(names)
	aside, err := t.rewriteConflicts(ctx, key, func(m *creepagev1.Reading) {
		m.Vehicle = wire.Vehicles.Name(pseudonym)
		m.ReadingId = loose.ReplaceAllString(m.GetReadingId(), "${1}"+pseudonym)
		if m.Visit != nil {
			m.Visit = proto.String(loose.ReplaceAllString(m.GetVisit(), "${1}"+pseudonym))
		}
		if m.Qualification != nil {
			m.Qualification = proto.String(loose.ReplaceAllString(m.GetQualification(), "${1}"+pseudonym))
		}
	})
	if err != nil {
		return 0, err
	}
	var changed int64
	err = t.tx.QueryRow(ctx, `SELECT erase_vehicle($1, $2, $3)`, key, pseudonym, now).Scan(&changed)
	return changed + aside, fail("erase a vehicle's names", err)
}

// namesOf returns what a vehicle, and those merged into it, are and were called.
func (t *Tx) namesOf(ctx context.Context, key int64) ([]string, error) {
	rows, err := t.tx.Query(ctx, `SELECT name FROM vehicles WHERE organisation_id = $1 AND id = $2
		UNION SELECT alias FROM vehicle_aliases WHERE organisation_id = $1 AND vehicle_id = $2`, t.organisation, key)
	if err != nil {
		return nil, fail("list a vehicle's names", err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return names, fail("list a vehicle's names", err)
}

// standing matches one of the texts that is not part of a longer word, with
// what stands before it as its first group.
func standing(texts []string) *regexp.Regexp {
	any := ""
	for i, s := range texts {
		if i > 0 {
			any += "|"
		}
		any += regexp.QuoteMeta(s)
	}
	return regexp.MustCompile(`(?i)(^|[^\pL\pN])(?:` + any + `)\b`)
}

// EraseWords takes a text out of everything that people wrote in the
// organisation, and returns how many rows held it.
func (t *Tx) EraseWords(ctx context.Context, words, put string) (int64, error) {
	if err := t.dropUploads(ctx); err != nil {
		return 0, err
	}
	stands := standing([]string{words})
	aside, err := t.rewriteConflicts(ctx, 0, func(m *creepagev1.Reading) {
		for _, text := range []**string{&m.Qualification, &m.Visit} {
			if *text != nil {
				*text = proto.String(stands.ReplaceAllString(**text, "${1}"+put))
			}
		}
	})
	if err != nil {
		return 0, err
	}
	// Nothing is sent to an address that is erased.
	ended, err := t.tx.Exec(ctx, `DELETE FROM digests WHERE organisation_id = $1 AND email ~* pattern_of(ARRAY [$2::text], true)`, t.organisation, words)
	if err != nil {
		return 0, fail("end the digests of a person", err)
	}
	var changed int64
	err = t.tx.QueryRow(ctx, `SELECT erase_words($1, $2)`, words, put).Scan(&changed)
	return changed + aside + ended.RowsAffected(), fail("erase a text", err)
}

// rewriteConflicts changes the readings kept aside, those of one vehicle or, if
// it is 0, all; it returns how many it changed.
func (t *Tx) rewriteConflicts(ctx context.Context, vehicle int64, change func(*creepagev1.Reading)) (int64, error) {
	const pageOf = 1000
	var changed, last int64
	for {
		rows, err := t.tx.Query(ctx, `SELECT id, reading FROM reading_conflicts
			WHERE organisation_id = $1 AND id > $2 AND ($3 = 0 OR vehicle_id = $3) ORDER BY id LIMIT $4`, t.organisation, last, vehicle, pageOf)
		if err != nil {
			return 0, fail("read what was kept aside", err)
		}
		type aside struct {
			ID      int64
			Reading []byte
		}
		list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[aside])
		if err != nil {
			return 0, fail("read what was kept aside", err)
		}
		for _, a := range list {
			last = a.ID
			var m creepagev1.Reading
			if err := proto.Unmarshal(a.Reading, &m); err != nil {
				return 0, fail("read what was kept aside", err)
			}
			before := proto.CloneOf(&m)
			if change(&m); proto.Equal(before, &m) {
				continue
			}
			written, err := proto.Marshal(&m)
			if err != nil {
				return 0, fail("write what was kept aside", err)
			}
			if _, err := t.tx.Exec(ctx, `SELECT rewrite_conflict($1, $2)`, a.ID, written); err != nil {
				return 0, fail("write what was kept aside", err)
			}
			changed++
		}
		if len(list) < pageOf {
			return changed, nil
		}
	}
}
