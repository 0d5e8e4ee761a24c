package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"

	"golang.org/x/term"
)

// keyboard is standard input: a terminal's keys one by one and its lines, or the lines of a pipe.
type keyboard struct {
	out   io.Writer
	fd    int // of the terminal; -1: it is none
	bytes <-chan byte
}

// errNoInput is the error of a keyboard that has ended.
var errNoInput = errors.New("standard input has ended, and nobody can be asked any more")

// newKeyboard reads in, for good.
func newKeyboard(in io.Reader, out io.Writer) *keyboard {
	bytes := make(chan byte)
	k := &keyboard{out: out, fd: -1, bytes: bytes}
	if f, ok := in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		k.fd = int(f.Fd())
	}
	go func() {
		defer close(bytes)
		for one := make([]byte, 1); ; {
			n, err := in.Read(one)
			if n == 1 {
				bytes <- one[0]
			}
			if err != nil {
				return
			}
		}
	}()
	return k
}

func (k *keyboard) next(ctx context.Context) (byte, error) {
	select {
	case <-ctx.Done():
		return 0, ctx.Err()
	case b, ok := <-k.bytes:
		if !ok {
			return 0, errNoInput
		}
		return b, nil
	}
}

// line asks for a line.
func (k *keyboard) line(ctx context.Context, format string, args ...any) (string, error) {
	fmt.Fprint(k.out, wrapped(fmt.Sprintf(format, args...), screenWidth, "  "))
	var text []byte
	for {
		b, err := k.next(ctx)
		if err == errNoInput && len(text) > 0 {
			b, err = '\n', nil
		}
		switch {
		case err != nil:
			return "", err
		case b == '\n':
			if k.fd < 0 {
				fmt.Fprintln(k.out)
			}
			return strings.TrimSpace(string(text)), nil
		}
		if text = append(text, b); len(text) > 4096 {
			return "", errors.New("a line of standard input is longer than 4096 bytes")
		}
	}
}

// key asks for one key, that counts as soon as it is pressed; where there is no terminal, for a line that begins with it. Enter is '\r'.
func (k *keyboard) key(ctx context.Context, format string, args ...any) (key byte, err error) {
	if k.fd < 0 {
		line, err := k.line(ctx, format, args...)
		if err != nil || line == "" {
			return '\r', err
		}
		return line[0], nil
	}
	before, err := term.MakeRaw(k.fd) // before it is asked, so that no key waits for Enter
	if err != nil {
		return 0, fmt.Errorf("taking single keys from the terminal: %w", err)
	}
	defer func() {
		err = errors.Join(err, term.Restore(k.fd, before))
		fmt.Fprintln(k.out)
	}()
	fmt.Fprint(k.out, strings.ReplaceAll(wrapped(fmt.Sprintf(format, args...), screenWidth, "  "), "\n", "\r\n"))
	if key, err = k.next(ctx); err == nil && key == 3 { // Ctrl-C is a key like others meanwhile
		return 0, failure{stopped, interrupted{syscall.SIGINT}}
	}
	return key, err
}

// forget leaves out what was typed ahead.
func (k *keyboard) forget() {
	if k.fd < 0 {
		return
	}
	for {
		select {
		case _, ok := <-k.bytes:
			if !ok {
				return
			}
		default:
			return
		}
	}
}
