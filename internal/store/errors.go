package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/puddle/v2"
)

// Errors of this package, for errors.Is. An ended context is
// context.Canceled or context.DeadlineExceeded.
var (
	// ErrNotFound says that there is no such row, or none the tenant may see.
	ErrNotFound = errors.New("not found")
	// ErrConflict says that a name or identity is taken.
	ErrConflict = errors.New("already exists")
	// ErrStands says that what was to be set has been set before and stands.
	ErrStands = errors.New("stands already")
	// ErrInvalid says that the database refused a value, now and for ever.
	ErrInvalid = errors.New("refused by the database")
	// ErrUnavailable says that the database could not do it now; trying again may help.
	ErrUnavailable = errors.New("the database is unavailable")
	// ErrInternal says that the program and its database do not fit: a statement
	// that is wrong, a table or a right that is missing, an answer that cannot be read.
	ErrInternal = errors.New("the database and the program do not fit")
)

// Retryable says whether the data themselves are not to blame, so that they
// must not be given up: the same may succeed later, be it only after the
// installation has been mended.
func Retryable(err error) bool {
	for _, temporary := range []error{ErrUnavailable, ErrInternal, context.Canceled, context.DeadlineExceeded} {
		if errors.Is(err, temporary) {
			return true
		}
	}
	return false
}

// setOnce ends the names of the constraints by which the database keeps what
// may be set once only.
const setOnce = "_set_once"

// fail turns a driver's error into one of this package, with the driver's words
// and without the driver's types; nil and this package's own errors stay what
// they are. What it does not know is a mistake of ours.
func fail(what string, err error) error {
	if err == nil {
		return nil
	}
	for _, own := range []error{ErrNotFound, ErrConflict, ErrStands, ErrInvalid, ErrUnavailable, ErrInternal} {
		if errors.Is(err, own) {
			return fmt.Errorf("%s: %w", what, err)
		}
	}
	for _, ended := range []error{context.Canceled, context.DeadlineExceeded} {
		if errors.Is(err, ended) {
			return fmt.Errorf("%s: %w", what, ended)
		}
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return fmt.Errorf("%s: %w", what, ErrNotFound)
	}
	var connecting *pgconn.ConnectError
	var pg *pgconn.PgError
	if errors.As(err, &pg) && !errors.As(err, &connecting) {
		return fmt.Errorf("%s: %w: %s (%s)", what, kindOf(pg), pg.Message, strings.TrimSpace(pg.Code+" "+pg.ConstraintName))
	}
	if unreachable(err) {
		return fmt.Errorf("%s: %w: %s", what, ErrUnavailable, err.Error())
	}
	return fmt.Errorf("%s: %w: %s", what, ErrInternal, err.Error())
}

// uniqueViolation is the SQLSTATE of a row whose key is taken.
const uniqueViolation = "23505"

// kindOf sorts the database's own errors by their SQLSTATE (PostgreSQL manual,
// appendix A, "PostgreSQL Error Codes").
func kindOf(pg *pgconn.PgError) error {
	switch {
	case strings.HasSuffix(pg.ConstraintName, setOnce):
		return ErrStands
	case pg.Code == uniqueViolation:
		return ErrConflict
	case len(pg.Code) != 5:
		return ErrInternal
	}
	switch pg.Code[:2] {
	case "22", "23": // data exception, integrity constraint violation
		return ErrInvalid
	case "08", "40", "53", "55", "57", "58": // connection, transaction rolled back, resources, not in the state for it, operator, system
		return ErrUnavailable
	}
	return ErrInternal
}

// unreachable says whether the database could not be asked or did not answer.
func unreachable(err error) bool {
	var connecting *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connecting) || errors.As(err, &network) || pgconn.SafeToRetry(err) || pgconn.Timeout(err) ||
		errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) || errors.Is(err, puddle.ErrClosedPool)
}
