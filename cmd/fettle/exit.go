package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"fettle/prog"
	"fettle/station"
)

// status is what the command ends with, the same for every verb.
type status int

const (
	done          status = iota // done and proven
	saidNo                      // the decoder, or the verdict, says no
	badUse                      // bad use, or a bad file
	stationFailed               // the station failed; if it can't be reached any more, a journal may resume what was begun
	noDecoder                   // no decoder answers
	stopped                     // stopped half-way; a journal can resume it
)

// failure is an error that knows its exit status. Without an error of its own, standard output has said it all.
type failure struct {
	status status
	err    error
}

func (f failure) Error() string {
	if f.err == nil {
		return ""
	}
	return f.err.Error()
}

func (f failure) Unwrap() error { return f.err }

// misuse is a failure of the one who gave the verb.
func misuse(cmd *cobra.Command, format string, args ...any) error {
	err := fmt.Errorf(format, args...)
	if cmd.HasParent() {
		err = fmt.Errorf("%s: %w", strings.TrimPrefix(cmd.CommandPath(), cmd.Root().Name()+" "), err)
	}
	return failure{badUse, err}
}

// statusOf says which status an error ends the command with. What has no status of its own is bad use, or a bad file.
func statusOf(err error) status {
	var own failure
	var overload station.Overload
	var other prog.OtherDecoder
	var notRead prog.NotRead
	switch {
	case err == nil:
		return done
	case errors.As(err, &own):
		return own.status
	case errors.Is(err, context.Canceled):
		return stopped
	case errors.Is(err, station.ErrStation), errors.As(err, &overload):
		return stationFailed
	case errors.Is(err, prog.ErrNothing), errors.Is(err, prog.ErrSilent), errors.Is(err, prog.ErrUnheard),
		errors.Is(err, prog.ErrSeveral), errors.Is(err, prog.ErrGone):
		return noDecoder
	case errors.As(err, &other), errors.As(err, &notRead):
		return saidNo
	}
	return badUse
}

// errClosed stands for the error of writing to a pipe that nobody reads.
var errClosed = errors.New("standard output was closed before all was said")

// inWords is what a person is told of an error, all of it, with what happened before whose fault it is.
func inWords(err error) string {
	if errors.Is(err, syscall.EPIPE) {
		return errClosed.Error()
	}
	text := err.Error()
	failed := ": " + station.ErrStation.Error()
	if errors.Is(err, station.ErrStation) && strings.Contains(text, failed) {
		text = strings.Replace(text, failed, "", 1)
	}
	return text
}
