package report

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"fettle/prog/regset"
)

// ErrNoBrowser is the error of a machine without a browser that prints by itself.
var ErrNoBrowser = errors.New("found neither chromium nor chromium-browser on the PATH: install it (Debian: apt install chromium), " +
	"or open the page in any browser and print it there to a PDF file, which comes out the same")

// WritePDF prints a page that WriteHTML has written to the file page, on A4 paper, to the file pdf, by Debian's Chromium or another of its kind
// on the machine. The file pdf is written whole or not at all. Errors: [ErrNoBrowser]; what the browser said; those of the file.
func WritePDF(ctx context.Context, page, pdf string) error {
	browser, err := findBrowser()
	if err != nil {
		return fmt.Errorf("printing %s: %w", page, err)
	}
	whole, err := filepath.Abs(page)
	if err != nil {
		return fmt.Errorf("printing %s: %w", page, err)
	}
	if err := regset.Regular(whole); err != nil { // the browser would print that there is none
		return fmt.Errorf("printing: %w", err)
	}
	folder, err := os.MkdirTemp("", "fettle-print-")
	if err != nil {
		return fmt.Errorf("printing %s: %w", page, err)
	}
	defer os.RemoveAll(folder)
	printed := filepath.Join(folder, "page.pdf")
	cmd := exec.CommandContext(ctx, browser, printArguments(folder, printed, whole)...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	cmd.WaitDelay = 5 * time.Second // for what the browser has started
	err = cmd.Run()
	if ctx.Err() != nil {
		return fmt.Errorf("printing %s: %w", page, ctx.Err())
	}
	if err != nil {
		return fmt.Errorf("printing %s: %s: %w; it said: %s", page, browser, err, lastLine(said.String()))
	}
	data, err := os.ReadFile(printed)
	if err != nil || !bytes.HasPrefix(data, []byte("%PDF-")) {
		return fmt.Errorf("printing %s: %s made no PDF file; it said: %s", page, browser, lastLine(said.String()))
	}
	return regset.WriteFile(pdf, data)
}

func findBrowser() (string, error) {
	for _, name := range []string{"chromium", "chromium-browser"} {
		if path, err := exec.LookPath(name); err == nil {
			return path, nil
		}
	}
	return "", ErrNoBrowser
}

// printArguments have it print without a window, with a profile of its own, and load nothing but the page.
func printArguments(profile, pdf, page string) []string {
	arguments := []string{"--headless=new", "--disable-gpu", "--disable-extensions", "--no-first-run", "--user-data-dir=" + profile,
		"--no-pdf-header-footer", "--print-to-pdf=" + pdf}
	if runtime.GOOS == "linux" && os.Geteuid() == 0 {
		arguments = append(arguments, "--no-sandbox") // it does not start as root with it
	}
	return append(arguments, (&url.URL{Scheme: "file", Path: filepath.ToSlash(page)}).String())
}

// lastLine is the last thing that a browser said, which tells what went wrong.
func lastLine(said string) string {
	said = strings.TrimSpace(said)
	return shown(said[strings.LastIndexByte(said, '\n')+1:])
}
