package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// UploadStage is how far a file of old records has come.
type UploadStage int16

// Stages. While one is Checking or Entering somebody works on it.
const (
	UploadUnsettled UploadStage = iota + 1 // how its columns are read is not settled
	UploadChecking
	UploadChecked
	UploadEntering
	UploadEntered
)

// Working says that somebody works on it, or did when he was broken off.
func (s UploadStage) Working() bool { return s == UploadChecking || s == UploadEntering }

// Upload is a file of old records brought to the board.
type Upload struct {
	ID         uuid.UUID
	Key        string // id of the key that brought it
	Title      string // the file's name
	Size       int64  // byte
	Sheet      string // of a workbook
	Mapping    []byte // JSON; nil: none
	Stage      UploadStage
	Checkpoint []byte // JSON; nil: at the beginning
	Sample     []byte // JSON of the first rows as read; nil: not read yet
	Problem    string // why it was broken off
	CreatedAt  time.Time
	UpdatedAt  time.Time
	ExpiresAt  time.Time
}

const uploadColumns = `id, key, title, size, sheet, mapping, stage, checkpoint, sample, problem, created_at, updated_at, expires_at`

func scanUpload(row pgx.CollectableRow) (Upload, error) {
	var u Upload
	err := row.Scan(&u.ID, &u.Key, &u.Title, &u.Size, &u.Sheet, &u.Mapping, &u.Stage, &u.Checkpoint, &u.Sample, &u.Problem, &u.CreatedAt, &u.UpdatedAt, &u.ExpiresAt)
	return u, err
}

// CreateUpload keeps a file and forgets the organisation's expired ones.
func (t *Tx) CreateUpload(ctx context.Context, u *Upload, content []byte) error {
	if err := t.forgetUploads(ctx, u.CreatedAt); err != nil {
		return err
	}
	_, err := t.tx.Exec(ctx, `INSERT INTO uploads (id, organisation_id, key, title, content, size, sheet, mapping, stage, sample, created_at, updated_at, expires_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $11, $12)`, u.ID, t.organisation, u.Key, u.Title, content, len(content), u.Sheet, u.Mapping, u.Stage, u.Sample, u.CreatedAt, u.ExpiresAt)
	return fail("keep an upload", err)
}

// Uploads lists the organisation's uploads, newest first, without their content.
func (t *Tx) Uploads(ctx context.Context, now time.Time) ([]Upload, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+uploadColumns+` FROM uploads WHERE organisation_id = $1 AND expires_at > $2 ORDER BY id DESC`, t.organisation, now)
	if err != nil {
		return nil, fail("list uploads", err)
	}
	list, err := pgx.CollectRows(rows, scanUpload)
	return list, fail("list uploads", err)
}

// Upload returns one, without its content; ErrNotFound if there is none.
func (t *Tx) Upload(ctx context.Context, id uuid.UUID, now time.Time) (Upload, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+uploadColumns+` FROM uploads WHERE organisation_id = $1 AND id = $2 AND expires_at > $3`, t.organisation, id, now)
	if err != nil {
		return Upload{}, fail("find an upload", err)
	}
	u, err := pgx.CollectExactlyOneRow(rows, scanUpload)
	return u, fail("find an upload", err)
}

// UploadContent returns the file.
func (t *Tx) UploadContent(ctx context.Context, id uuid.UUID) ([]byte, error) {
	return t.uploadBytes(ctx, id, "content")
}

// UploadRejects returns the rows that were refused, as CSV.
func (t *Tx) UploadRejects(ctx context.Context, id uuid.UUID) ([]byte, error) {
	return t.uploadBytes(ctx, id, "rejects")
}

func (t *Tx) uploadBytes(ctx context.Context, id uuid.UUID, column string) ([]byte, error) {
	var b []byte
	err := t.tx.QueryRow(ctx, `SELECT `+column+` FROM uploads WHERE organisation_id = $1 AND id = $2`, t.organisation, id).Scan(&b)
	return b, fail("read an upload", err)
}

// SettleUpload says how a file is read; it has to be checked anew.
func (t *Tx) SettleUpload(ctx context.Context, id uuid.UUID, sheet string, mapping []byte, stage UploadStage, sample []byte, now time.Time) error {
	return t.changeUpload(ctx, `UPDATE uploads SET sheet = $3, mapping = $4, stage = $5, sample = $6, checkpoint = NULL, rejects = '', problem = '', updated_at = $7
		WHERE organisation_id = $1 AND id = $2 AND stage IN (1, 3)`, id, sheet, mapping, stage, sample, now)
}

// ClaimUpload moves an upload on to a stage in which it is worked on: from one
// of the stages given, or from that very stage where nothing was heard of the
// work since a time. It says whether it did; somebody else works on it otherwise.
// What is entered goes on where it was; a check begins at the beginning.
func (t *Tx) ClaimUpload(ctx context.Context, id uuid.UUID, from []UploadStage, to UploadStage, unheard, now time.Time) (bool, error) {
	stages := make([]int16, len(from))
	for i, s := range from {
		stages[i] = int16(s)
	}
	tag, err := t.tx.Exec(ctx, `UPDATE uploads SET checkpoint = CASE WHEN stage = 4 THEN checkpoint END, rejects = CASE WHEN stage = 4 THEN rejects ELSE '' END,
		stage = $4, problem = '', updated_at = $6
		WHERE organisation_id = $1 AND id = $2 AND (stage = ANY ($3) OR stage = $4 AND (problem <> '' OR updated_at < $5))`, t.organisation, id, stages, to, unheard, now)
	return err == nil && tag.RowsAffected() == 1, fail("claim an upload", err)
}

// AdvanceUpload keeps how far the work has come, with the refused rows since.
func (t *Tx) AdvanceUpload(ctx context.Context, id uuid.UUID, checkpoint, rejects []byte, now time.Time) error {
	return t.changeUpload(ctx, `UPDATE uploads SET checkpoint = $3, rejects = rejects || $4, updated_at = $5 WHERE organisation_id = $1 AND id = $2`, id, checkpoint, rejects, now)
}

// EndUpload ends the work on an upload: at a stage, or where it stands with a
// problem. What is entered needs its content no longer.
func (t *Tx) EndUpload(ctx context.Context, id uuid.UUID, stage UploadStage, sample []byte, problem string, now time.Time) error {
	return t.changeUpload(ctx, `UPDATE uploads SET stage = $3::smallint, sample = coalesce($4, sample), problem = $5, updated_at = $6, content = CASE WHEN $3::smallint = 5 THEN ''::bytea ELSE content END
		WHERE organisation_id = $1 AND id = $2`, id, stage, sample, problem, now)
}

// DeleteUpload forgets a file.
func (t *Tx) DeleteUpload(ctx context.Context, id uuid.UUID) error {
	return t.changeUpload(ctx, `DELETE FROM uploads WHERE organisation_id = $1 AND id = $2`, id)
}

func (t *Tx) changeUpload(ctx context.Context, statement string, id uuid.UUID, args ...any) error {
	tag, err := t.tx.Exec(ctx, statement, append([]any{t.organisation, id}, args...)...)
	if err == nil && tag.RowsAffected() == 0 {
		err = pgx.ErrNoRows
	}
	return fail("change an upload", err)
}

func (t *Tx) forgetUploads(ctx context.Context, now time.Time) error {
	_, err := t.tx.Exec(ctx, `DELETE FROM uploads WHERE organisation_id = $1 AND expires_at <= $2`, t.organisation, now)
	return fail("forget expired uploads", err)
}

// dropUploads forgets every file, for it may hold the name that is erased.
func (t *Tx) dropUploads(ctx context.Context) error {
	_, err := t.tx.Exec(ctx, `DELETE FROM uploads WHERE organisation_id = $1`, t.organisation)
	return fail("forget uploads", err)
}
