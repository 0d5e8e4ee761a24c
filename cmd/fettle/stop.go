package main

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"syscall"
)

// interrupted is why a context ended: a signal asked for it.
type interrupted struct{ os.Signal }

func (i interrupted) Error() string { return "stopped with " + i.name() }

// name is what a person knows the signal by.
func (i interrupted) name() string {
	switch i.Signal {
	case syscall.SIGTERM:
		return "SIGTERM"
	case syscall.SIGHUP:
		return "SIGHUP"
	}
	return "Ctrl-C"
}

// stoppable is a context that ends with the first signal that asks the program to stop, so that it stops in good order. A second one ends
// the program at once. A closed standard output is no such signal, but an error of whatever writes to it.
func stoppable() context.Context {
	ctx, stop := context.WithCancelCause(context.Background())
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // started so that it outlives its terminal
		signal.Notify(signals, syscall.SIGHUP)
	}
	signal.Ignore(syscall.SIGPIPE)
	go func() {
		stop(interrupted{<-signals})
		signal.Stop(signals)
	}()
	return ctx
}

// interruption is the signal that ended a context.
func interruption(ctx context.Context) (by interrupted) {
	errors.As(context.Cause(ctx), &by)
	return by
}
