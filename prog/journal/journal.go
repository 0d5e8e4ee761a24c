// Package journal keeps what a batch did to a decoder, on disk, as it goes: enough to go on after a crash, and to undo.
//
// A journal is a file of JSON lines. The first says what the batch is; then comes, for each register that may be changed, what it
// held; then each write before it goes to the track; then what each was found to hold when all was read again; at last how the batch
// ended. Every line is on the disk before the method that wrote it returns. A line that a crash cut short at the very end is no error:
// it was not yet acted upon. Any other line has to be as this package writes it, to the letter: a journal that was tampered with is
// refused rather than half understood.
//
// Start with [New], and [Read] or [Reopen] afterwards. A [Keeper] keeps one for each batch of a stay on the track.
package journal

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// Format is the version of the file that this package writes and reads.
const Format = 1

// How a batch ends, as [Record] has it in Ended.
const (
	Proven    = "proven"               // all that was to be left is there: it was read again after a power cycle
	NotProven = "not proven"           // something is not as it was to be
	WasReset  = "reset"                // a factory reset; Found has what it left
	PutBack   = "put back"             // all holds what it held
	Probed    = "probed, and put back" // likewise
	Undone    = "undone"               // likewise, by another batch
)

// Header is the first line: what the batch is.
type Header struct {
	Format  int       `json:"format"`
	Batch   string    `json:"batch"` // the verb: "apply", "reset", "undo" ...
	Title   string    `json:"title"` // of the register set, or of the journal that is undone
	When    time.Time `json:"when"`
	Station string    `json:"station"`
	Decoder Decoder   `json:"decoder"`
	Address cv.Values `json:"address,omitempty"` // of the Decoder
}

// Record is what a journal says, read back.
type Record struct {
	Header
	Held   cv.Values // what each register held before the batch
	Wanted cv.Values // what the batch is to leave in each; nil before the plan was made
	Writes []Write   // in the order in which they began; the last may have been cut short
	Found  cv.Values // what was proven when all was read again after a power cycle; nil where it was not
	Ended  string    // how the batch ended, as Proven; "" when it was interrupted

	Resumed time.Time // when it was taken up again last; the zero time where it was not
}

// Write is one value that was about to be written to a register.
type Write struct {
	Register cv.Register `json:"register"`
	Value    uint8       `json:"value"`
}

// Decoder says which decoder a batch is for: what its CV 8 and CV 7 hold.
type Decoder struct {
	Maker   uint8 `json:"maker"`
	Version uint8 `json:"version"`

	// Address is what CV 1, 17 and 18 held when the batch began, as far as is known: it tells two decoders of a kind apart.
	Address cv.Values `json:"-"`
}

// line is any line but the first; one of its fields is set.
type line struct {
	Held    cv.Values  `json:"held,omitzero"`
	Wanted  cv.Values  `json:"wanted,omitzero"`
	Writing *Write     `json:"writing,omitempty"`
	Found   cv.Values  `json:"found,omitzero"`
	Resumed *time.Time `json:"resumed,omitempty"`
	Ended   string     `json:"ended,omitempty"`
}

// Journal is a journal that is being written. It is a prog.Recorder. Once a line could not be kept none is kept any more, since what
// follows it would not tell the whole: each method then fails with the same error.
type Journal struct {
	header       Header
	folder, name string
	file         *os.File // nil before there is anything to keep
	held         cv.Values
	broken       error
}

// New makes a journal that will be a new file in a folder, named after name and the time in the header. The file comes into being
// with the first thing to be kept: a batch that changes nothing leaves none.
func New(folder, name string, h Header) *Journal {
	h.Format = Format
	for _, text := range []*string{&h.Batch, &h.Title, &h.Station} {
		*text = strings.ToValidUTF8(*text, "\ufffd")
	}
	return &Journal{header: h, folder: folder, name: name, held: cv.Values{}}
}

// Stem is how the name of a journal begins whose batch a file asks for: as that of the file, without the time of another journal.
func Stem(file string) string {
	return made.ReplaceAllString(strings.TrimSuffix(filepath.Base(file), filepath.Ext(file)), "")
}

// made is what create adds to a name: when, and a number where another journal is of that time.
var made = regexp.MustCompile(`-[0-9]{8}-[0-9]{6}(-[0-9]+)?$`)

// create makes the file. One that is there already is left alone, and another name taken.
func (j *Journal) create() error {
	stem := filepath.Join(j.folder, j.name+"-"+j.header.When.Format("20060102-150405"))
	path := stem + ".journal"
	for n := 2; ; n++ {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o644)
		if errors.Is(err, os.ErrExist) {
			path = fmt.Sprintf("%s-%d.journal", stem, n)
			continue
		}
		if err != nil {
			return fmt.Errorf("beginning a journal: %w", err)
		}
		j.file = f
		if err := errors.Join(j.put(j.header), syncFolder(j.folder)); err != nil {
			return errors.Join(err, j.Discard()) // nothing was done yet
		}
		return nil
	}
}

// Reopen reads a journal and goes on writing at its end. A line that a crash cut short is taken off.
func Reopen(path string, now time.Time) (*Journal, Record, error) {
	data, err := load(path)
	if err != nil {
		return nil, Record{}, err
	}
	record, whole, err := parse(path, data)
	if err != nil {
		return nil, Record{}, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return nil, Record{}, fmt.Errorf("going on with the journal: %w", err)
	}
	j := &Journal{header: record.Header, file: f, held: maps.Clone(record.Held)}
	if err := f.Truncate(int64(whole)); err != nil {
		f.Close()
		return nil, Record{}, fmt.Errorf("going on with the journal: %w", err)
	}
	if err := j.append(line{Resumed: &now}); err != nil {
		f.Close()
		return nil, Record{}, err
	}
	return j, record, nil
}

// For says which decoder the batch is for. It comes before anything is kept.
func (j *Journal) For(d Decoder) { j.header.Decoder, j.header.Address = d, d.Address }

// Path is the name of the file; "" while there is none.
func (j *Journal) Path() string {
	if j.file == nil {
		return ""
	}
	return j.file.Name()
}

// Held keeps what registers held before the batch. Only the first value of each counts, so that a batch that is resumed, or that
// writes a register twice, can be undone all the way.
func (j *Journal) Held(values cv.Values) error {
	news := cv.Values{}
	for r, v := range values {
		if _, known := j.held[r]; !known {
			news[r] = v
		}
	}
	if len(news) == 0 {
		return nil
	}
	if err := j.append(line{Held: news}); err != nil {
		return err
	}
	maps.Copy(j.held, news)
	return nil
}

// Wanted keeps what the batch is to leave in each register.
func (j *Journal) Wanted(v cv.Values) error { return j.append(line{Wanted: v}) }

// Writing keeps that a value is about to be written. It fails for a register of which no old value is kept.
func (j *Journal) Writing(r cv.Register, value uint8) error {
	if _, known := j.held[r]; !known {
		return fmt.Errorf("journal %s: register %v is to be written before its old value is kept", j.Path(), r)
	}
	return j.append(line{Writing: &Write{r, value}})
}

// Found keeps what the registers of the batch were proven to hold when all was read again; one that is missing could not be proven. Where
// there is no file, or nil was found, it does nothing.
func (j *Journal) Found(v cv.Values) error {
	if j.file == nil || v == nil {
		return nil
	}
	return j.append(line{Found: v})
}

// End keeps how the batch ended, and closes the file. Where there is none it does nothing.
func (j *Journal) End(how string) error {
	if j.file == nil {
		return nil
	}
	return errors.Join(j.append(line{Ended: how}), j.file.Close())
}

// Discard closes and removes the file, where the decoder is known to be as it was. Where there is none it does nothing.
func (j *Journal) Discard() error {
	if j.file == nil {
		return nil
	}
	path := j.Path()
	err := errors.Join(j.file.Close(), os.Remove(path))
	j.file, j.held = nil, cv.Values{}
	if err != nil {
		return fmt.Errorf("removing the journal, which is needed no more: %w", err)
	}
	return nil
}

// Close leaves the journal as one that can be resumed.
func (j *Journal) Close() error {
	if j.file == nil {
		return nil
	}
	return j.file.Close()
}

// append writes a line, in a new file where there is none.
func (j *Journal) append(l line) error {
	if j.broken != nil {
		return j.broken
	}
	if j.file == nil {
		j.broken = j.create()
	}
	if j.broken == nil {
		j.broken = j.put(l)
	}
	return j.broken
}

// put writes one line in one call, and returns when the disk has it.
func (j *Journal) put(v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("journal %s: %w", j.Path(), err)
	}
	if _, err := j.file.Write(append(data, '\n')); err != nil {
		return fmt.Errorf("writing the journal: %w", err)
	}
	if err := j.file.Sync(); err != nil {
		return fmt.Errorf("writing the journal to disk: %w", err)
	}
	return nil
}

// syncFolder brings a new file's name to the disk. Where a system has no such thing for folders, it says so and is not believed.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	_ = d.Sync()
	return nil
}

// MaxBytes is the size of the largest journal that is read, more than any batch writes: 1024 registers, on many pages, many times over.
const MaxBytes = 16 << 20

// Read reads a journal.
func Read(path string) (Record, error) {
	data, err := load(path)
	if err != nil {
		return Record{}, err
	}
	return Parse(path, data)
}

// load reads the bytes of a file that may be anything.
func load(path string) ([]byte, error) {
	if err := regset.Regular(path); err != nil {
		return nil, fmt.Errorf("reading the journal: %w", err)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("reading the journal: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("reading the journal: %w", err)
	}
	return data, nil
}

// Parse reads a journal from its text: file is its name in errors, which say the line.
func Parse(file string, data []byte) (Record, error) {
	record, _, err := parse(file, data)
	return record, err
}

// parse reads the lines that are whole, and says how many bytes they are.
func parse(path string, data []byte) (rec Record, whole int, err error) {
	if len(data) > MaxBytes {
		return rec, 0, fmt.Errorf("%s: found more than %d MiB, want a journal", path, MaxBytes>>20)
	}
	rec.Held = cv.Values{}
	for n := 1; ; n++ {
		end := bytes.IndexByte(data[whole:], '\n')
		if end < 0 {
			if n == 1 {
				return rec, 0, fmt.Errorf("%s:1: found no whole line, want a journal that begins with {\"format\":%d; one that was cut off there wrote nothing to the decoder", path, Format)
			}
			return rec, whole, nil
		}
		text := data[whole : whole+end]
		if n == 1 {
			err = strict(text, &rec.Header)
		} else {
			var l line
			if err = strict(text, &l); err == nil {
				err = rec.take(l)
			}
		}
		if err != nil {
			return rec, whole, fmt.Errorf("%s:%d: %w", path, n, err)
		}
		whole += end + 1
	}
}

// strict reads a line that has to be as this package writes it.
func strict(text []byte, into any) error {
	if len(bytes.TrimSpace(text)) == 0 {
		return errors.New("found a blank line, want a line of a journal")
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fmt.Errorf("found what is no line of a journal: %w", err)
	}
	if h, ok := into.(*Header); ok && h.Format != Format {
		return fmt.Errorf("found format %d, want %d", h.Format, Format)
	}
	own, err := json.Marshal(into)
	if err != nil {
		return fmt.Errorf("found what is no line of a journal: %w", err)
	}
	if !bytes.Equal(text, own) { // more than one value, a key twice or in other letters, spaces ...
		return fmt.Errorf("found %s, want it as a journal has it: %s", short(text), short(own))
	}
	return nil
}

// short is enough of a line to find it by.
func short(text []byte) string {
	const most = 200
	if len(text) > most {
		return fmt.Sprintf("%q ...", text[:most])
	}
	return fmt.Sprintf("%q", text)
}

// said counts what a line says.
func (l line) said() (n int) {
	for _, is := range []bool{l.Held != nil, l.Wanted != nil, l.Writing != nil, l.Found != nil, l.Resumed != nil, l.Ended != ""} {
		if is {
			n++
		}
	}
	return n
}

func (rec *Record) take(l line) error {
	switch n := l.said(); {
	case n != 1:
		return fmt.Errorf("found a line that says %d things, want one", n)
	case rec.Ended != "" && l.Resumed == nil:
		return errors.New("found a line after the end, want none")
	}
	switch {
	case l.Held != nil:
		for r, v := range l.Held {
			if _, known := rec.Held[r]; !known {
				rec.Held[r] = v
			}
		}
	case l.Wanted != nil:
		rec.Wanted = l.Wanted
	case l.Writing != nil:
		if _, known := rec.Held[l.Writing.Register]; !known {
			return fmt.Errorf("found a write to register %v, want what it held before it", l.Writing.Register)
		}
		rec.Writes = append(rec.Writes, *l.Writing)
	case l.Found != nil:
		rec.Found = l.Found
	case l.Resumed != nil:
		rec.Ended, rec.Found, rec.Resumed = "", nil, *l.Resumed
	default:
		rec.Ended = l.Ended
	}
	return nil
}
