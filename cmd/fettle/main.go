// Command fettle is a bench for DCC decoders: it says what a decoder is and holds, puts settings on it and proves them.
//
// Every verb has a file of its own that reads arguments, asks the packages below, and prints; start with root.go.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second Ctrl-C ends the program at once
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(int(code))
}
