package report

import (
	"bytes"
	"errors"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"fettle/nmra/cv/regtoml"
)

// kind is what a file is.
type kind uint8

const (
	surveyKind kind = iota + 1
	setKind
	sheetKind
	probeKind
	trialKind
	journalKind
	runsKind
	captureKind
)

// What is no part of a report, and why.
var (
	errEmpty   = errors.New("found an empty file")
	errUTF16   = errors.New("found UTF-16, want UTF-8: save it again as text, or as CSV, in UTF-8")
	errBytes   = errors.New("found what is no text, want a survey, a register set, a sheet, a journal, a trial, its runs, or a recorded track signal")
	errOther   = errors.New("found text that is none of our files, want a survey, a register set, a sheet, a journal, a trial, its runs, or a recorded track signal")
	errValues  = errors.New("found lines of values that are neither runs nor a track signal: runs have columns run, lead, way and outcome, a signal has one that is named time")
	errBench   = errors.New("found a decoder of the simulated bench: it says nothing of one that was tried")
	errProfile = errors.New("found the profile of a station: it says nothing of a decoder")
)

// kindOf finds out what a file is from how it begins, and of TOML from its keys. data is the file, or so much of it as the largest TOML file has.
// Where that does not tell, its name says whose errors are of use. The error says why a file is no part of a report.
func kindOf(name string, data []byte) (kind, error) {
	text := bytes.TrimPrefix(data, []byte("\ufeff"))
	ending := strings.ToLower(filepath.Ext(name))
	begin := bytes.TrimSpace(text[:min(len(text), 4096)])
	switch {
	case ending == ".journal", bytes.HasPrefix(begin, []byte(`{"format":`)):
		return journalKind, nil
	case len(bytes.TrimSpace(text)) == 0:
		return 0, errEmpty
	case slices.ContainsFunc([]string{"RIFF", "RIFX", "RF64"}, func(mark string) bool { return bytes.HasPrefix(data, []byte(mark)) }),
		declaration.Match(begin), ending == ".vcd", ending == ".wav":
		return captureKind, nil
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		return 0, errUTF16
	case bytes.IndexByte(begin, 0) >= 0:
		return 0, errBytes
	}
	if cells, ok := heading(text); ok {
		switch {
		case slices.ContainsFunc(cells, func(c string) bool { return slices.Contains(runColumns, c) }):
			return runsKind, nil
		case slices.ContainsFunc(cells, timeColumn.MatchString), ending == ".csv" && number.MatchString(cells[0]):
			return captureKind, nil
		case ending == ".csv":
			return 0, errValues
		}
	}
	return tomlKind(name, ending, data)
}

var (
	declaration = regexp.MustCompile(`^\$[a-z]+\s`) // of a value change dump (IEEE 1364-2005, clause 18)
	timeColumn  = regexp.MustCompile(`(?i)^(time|timestamp|t)([^a-z]|$)`)
	number      = regexp.MustCompile(`^[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?$`)
)

// runColumns are the columns that runs have, but for those that other tables may have as well.
var runColumns = []string{"run", "lead", "speed_mm_s", "outcome", "stop_mm", "stop_s"}

// heading gives the cells of the first line that is no comment, where it looks like one of a table and not like TOML.
func heading(text []byte) (cells []string, ok bool) {
	const longest = 4096
	for len(text) > 0 {
		line, rest, _ := bytes.Cut(text, []byte("\n"))
		text = rest
		line = bytes.TrimSpace(line)
		if bare := bytes.TrimLeft(line, "\""); len(bare) == 0 || bare[0] == '#' {
			continue
		}
		if len(line) > longest || line[0] == '[' || bytes.IndexByte(line, '=') >= 0 || !bytes.ContainsAny(line, ",;\t") {
			return nil, false
		}
		for _, cell := range strings.FieldsFunc(string(line), func(r rune) bool { return strings.ContainsRune(",;\t", r) }) {
			cells = append(cells, strings.ToLower(strings.Trim(cell, " \"\r")))
		}
		return cells, len(cells) > 0
	}
	return nil, false
}

// tomlKind tells our TOML files apart by what only one of them has. A file with a mistake in its syntax is told by the keys that can be made out.
func tomlKind(name, ending string, data []byte) (kind, error) {
	doc, wrong := regtoml.Parse(name, data)
	has, tables := madeOut(data)
	if wrong == nil {
		root := doc.Root()
		has, tables = root.Has, registerTables(root)
	}
	any := func(keys ...string) bool { return slices.ContainsFunc(keys, has) }
	switch {
	case any("modes", "quirks", "ack"):
		return 0, errBench
	case has("port") && has("line"):
		return 0, errProfile
	case has("found"):
		return probeKind, nil
	case any("runs", "wanted", "section", "speed", "vehicle"):
		return trialKind, nil
	case has("when"):
		return surveyKind, nil
	case any("groups", "from", "absent", "changing", "pages"), tables:
		return sheetKind, nil
	case any("registers", "bits", "address", "decoder"):
		return setKind, nil
	case wrong != nil && ending == ".toml":
		return 0, wrong
	}
	return 0, errOther
}

// registerTables says whether the registers are tables, as those of a sheet are, and not values.
func registerTables(root *regtoml.Table) bool {
	registers, ok := root.Table("registers")
	if !ok {
		return false
	}
	for _, key := range registers.Keys() {
		t, ok := registers.Table(key.Name)
		if ok && slices.ContainsFunc([]string{"name", "group", "note", "read_only", "values", "default", "held", "mask", "fixed", "bits"}, t.Has) {
			return true
		}
	}
	return false
}

var (
	tableLine = regexp.MustCompile(`(?m)^[ \t]*\[[ \t]*([A-Za-z_]+)[ \t]*([.\]])`)
	keyLine   = regexp.MustCompile(`(?m)^[ \t]*([A-Za-z_]+)[ \t]*[.=]`)
)

// madeOut looks for the keys and tables of TOML that has a mistake somewhere, line by line. tables says that there is one for a register.
func madeOut(data []byte) (has func(key string) bool, tables bool) {
	var keys []string
	root := data
	for n, at := range tableLine.FindAllSubmatchIndex(data, 10_000) {
		if n == 0 {
			root = data[:at[0]]
		}
		key := string(data[at[2]:at[3]])
		if !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
		tables = tables || key == "registers" && data[at[4]] == '.'
	}
	for _, found := range keyLine.FindAllSubmatch(root, 1000) {
		keys = append(keys, string(found[1]))
	}
	return func(key string) bool { return slices.Contains(keys, key) }, tables
}
