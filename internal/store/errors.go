package store

import (
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Errors of this package, for errors.Is.
var (
	// ErrNotFound says that there is no such row, or none the tenant may see.
	ErrNotFound = errors.New("not found")
	// ErrConflict says that a name or identity is taken.
	ErrConflict = errors.New("already exists")
	// ErrInvalid says that the database refused a value, now and for ever.
	ErrInvalid = errors.New("refused by the database")
	// ErrUnavailable says that the database could not do it now; trying again may help.
	ErrUnavailable = errors.New("the database is unavailable")
)

// Retryable says whether trying the same again may help.
func Retryable(err error) bool { return errors.Is(err, ErrUnavailable) }

// fail turns a driver's error into one of this package; nil stays nil. Only
// what the data themselves cause is final: with a missing table or right the
// fault is the installation's, and no reading may be given up for that.
func fail(what string, err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return fmt.Errorf("%s: %w", what, ErrNotFound)
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		text := fmt.Sprintf("%s (%s %s)", pg.Message, pg.Code, pg.ConstraintName)
		switch {
		case pg.Code == "23505": // unique_violation
			return fmt.Errorf("%s: %w: %s", what, ErrConflict, text)
		case strings.HasPrefix(pg.Code, "22"), strings.HasPrefix(pg.Code, "23"): // data exception, integrity constraint violation
			return fmt.Errorf("%s: %w: %s", what, ErrInvalid, text)
		}
		return fmt.Errorf("%s: %w: %s", what, ErrUnavailable, text)
	}
	return fmt.Errorf("%s: %w: %w", what, ErrUnavailable, err)
}
