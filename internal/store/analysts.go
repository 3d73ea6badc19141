package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Analyst is a database login of an analyst.
type Analyst struct {
	Login        string // of the role that signs in
	Password     string // empty: the login is there and keeps what it has
	Organisation string // name
	At           time.Time
}

// MakeAnalyst makes an analyst's login that sees the rows of one organisation, or
// sets its password anew. The connection must own the schema and may make
// roles. The error is ErrNotFound if there is no such organisation, ErrConflict
// if the login is another organisation's, or is there and is no analyst's.
func MakeAnalyst(ctx context.Context, url string, a Analyst) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fail("connect", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		var mapped, there bool
		if err := tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM analyst_logins WHERE name = $1), EXISTS (SELECT FROM pg_roles WHERE rolname = $1)`, a.Login).Scan(&mapped, &there); err != nil {
			return fail("look for the login", err)
		}
		if there && !mapped && a.Password != "" {
			return fail("make an analyst's login", fmt.Errorf("%w: the database has a login %q that is no analyst's", ErrConflict, a.Login))
		}
		tag, err := tx.Exec(ctx, `INSERT INTO analyst_logins (name, organisation_id, created_at) SELECT $1, o.id, $3 FROM organisations o WHERE o.name = $2
			ON CONFLICT (name) DO UPDATE SET name = excluded.name WHERE analyst_logins.organisation_id = excluded.organisation_id`, a.Login, a.Organisation, a.At)
		if err != nil {
			return fail("make an analyst's login", err)
		}
		if tag.RowsAffected() == 0 {
			if mapped {
				return fail("make an analyst's login", fmt.Errorf("%w: login %q is another organisation's", ErrConflict, a.Login))
			}
			return fail("make an analyst's login", fmt.Errorf("%w: organisation %q", ErrNotFound, a.Organisation))
		}
		if a.Password == "" {
			return nil
		}
		return setLogin(ctx, tx, a, there)
	})
}

// setLogin makes the role or sets its password. What a statement of this kind
// says cannot be handed over as an argument; the database itself quotes it.
func setLogin(ctx context.Context, tx pgx.Tx, a Analyst, there bool) error {
	verb := "CREATE"
	if there {
		verb = "ALTER"
	}
	for _, form := range []string{verb + ` ROLE %1$I LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS INHERIT PASSWORD %2$L`,
		`GRANT creepage_analyst TO %1$I`, `ALTER ROLE %1$I SET default_transaction_read_only = on`} {
		var sql string
		if err := tx.QueryRow(ctx, `SELECT format($1, $2::text, $3::text)`, form, a.Login, a.Password).Scan(&sql); err != nil {
			return fail("write down an analyst's login", err)
		}
		if _, err := tx.Exec(ctx, sql); err != nil {
			return fail("make an analyst's login", err)
		}
	}
	return nil
}
