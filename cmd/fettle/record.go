package main

import (
	"bytes"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra/wave/capture"
	"fettle/prog/regset"
	"fettle/station"
)

// usualRate is the sample rate of a WAV file where none is asked for, in Hz: the highest that sound cards commonly have.
const usualRate = 192_000

// recordable is a station that can take down what is on its track: the bench.
type recordable interface{ Record(to *capture.Recording) }

// record begins to take down what is on a station's track. keep writes it to a file, whose form is that of its name.
func record(cmd *cobra.Command, s station.Station, path string) (keep func() error, err error) {
	r, ok := s.(recordable)
	if !ok {
		return nil, misuse(cmd, "--record: %v can't take down what is on its track: want the bench", s.Describe())
	}
	recording := new(capture.Recording)
	var write func(io.Writer) error
	switch strings.ToLower(filepath.Ext(path)) {
	case ".csv":
		write = recording.WriteCSV
	case ".vcd":
		write = func(w io.Writer) error { return capture.WriteVCD(w, recording.Halves()) }
	case ".wav":
		write = func(w io.Writer) error { return capture.WriteWAV(w, usualRate, recording.Halves()) }
	default:
		return nil, misuse(cmd, "--record %s: want a name that ends in .csv, .vcd or .wav", path)
	}
	r.Record(recording)
	return func() error {
		var text bytes.Buffer
		if err := write(&text); err != nil {
			return err
		}
		return regset.WriteFile(path, text.Bytes())
	}, nil
}
