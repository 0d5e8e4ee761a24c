//go:build unix

// Fake is an invented command station to try profiles on by hand: a process on a pseudo-terminal, with a decoder of the bench on its
// programming track.
//
//	go run ./station/text/fake quay tram-3
//
// It says which port it is on and what to type in another terminal, writes a profile for that, and shows each line that comes and
// goes until Ctrl-C. Without arguments it is the one of the example profile, testdata/stations/quay.toml.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"strings"

	"fettle/station"
	_ "fettle/station/bench"
	"fettle/station/text/fakes"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
}

// run serves one fake until the context is done.
func run(ctx context.Context, args []string, stdout io.Writer) (err error) {
	manner, decoder := "quay", "tram-3"
	if len(args) > 0 {
		manner = args[0]
	}
	if len(args) > 1 {
		decoder = args[1]
	}
	if len(args) > 2 || strings.HasPrefix(manner, "-") {
		return fmt.Errorf("usage: fake [%s] [bench decoder], as: fake quay tram-3", strings.Join(fakes.Names(), "|"))
	}
	behind, err := station.Open("bench:" + decoder)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, behind.Close()) }()
	fake, err := fakes.New(manner, behind.(fakes.Track))
	if err != nil {
		return err
	}
	fake.Spoil(func(_ int, line, answer string) (string, error) {
		_, err := fmt.Fprintf(stdout, "%q\n\t%q\n", line, answer)
		return answer, err
	})
	port, unplug, done, err := fake.Plug()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, unplug()) }()
	profile, err := profileFor(manner, port)
	if err != nil {
		return err
	}
	defer os.Remove(profile)
	fmt.Fprintf(stdout, `The %s station, invented, is on %s; behind it: %v.
In another terminal:

  fettle identify --station text:%s

Here follow the lines that come, and the answers to them. Ctrl-C ends it.

`, manner, port, behind.Describe(), profile)
	select {
	case <-ctx.Done():
	case <-done:
	}
	return nil
}

// profileFor writes the profile of a manner with the port in it.
func profileFor(manner, port string) (file string, err error) {
	source := filepath.Join("testdata", "stations", manner+".toml")
	data, err := os.ReadFile(source)
	if err != nil {
		return "", fmt.Errorf("the profile of the %s station: %w; run this in the folder of the project", manner, err)
	}
	data = regexp.MustCompile(`(?m)^name +=.*$`).ReplaceAll(data, fmt.Appendf(nil, "name = %q", port))
	f, err := os.CreateTemp("", manner+"-*.toml")
	if err != nil {
		return "", err
	}
	_, err = f.Write(data)
	return f.Name(), errors.Join(err, f.Close())
}
