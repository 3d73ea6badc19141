package worker

import (
	"context"
	"log/slog"
)

// transitions passes on what is a warning or worse: the job library also
// reports, at the level of information, that it is at work.
type transitions struct{ slog.Handler }

// Enabled says whether a level is passed on.
func (t transitions) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && t.Handler.Enabled(ctx, level)
}

// WithAttrs returns a handler with attributes.
func (t transitions) WithAttrs(attrs []slog.Attr) slog.Handler {
	return transitions{t.Handler.WithAttrs(attrs)}
}

// WithGroup returns a handler with a group.
func (t transitions) WithGroup(name string) slog.Handler {
	return transitions{t.Handler.WithGroup(name)}
}
