package store

// nullable is where the columns of a row go; finish puts what may have been
// NULL in its place once they are scanned.
type nullable struct {
	targets []any
	finish  func()
}
