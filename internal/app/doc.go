// Package app puts the parts together: Serve, Work, Up and Migrate are what the
// commands start, and what a test starts on port 0. It listens to no signals
// and ends no process; that is main's.
package app
