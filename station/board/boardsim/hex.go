package boardsim

import (
	"bytes"
	"encoding/hex"
	"fmt"
)

// flashSize is that of an ATmega328P, in bytes.
const flashSize = 32 * 1024

// flash gives what is in the flash from address 0 on, of an image as the firmware's build has it: records of the Intel hexadecimal
// format, of the two kinds that an image of this size needs. What no record names is 0xFF, as in a chip that has been erased.
func flash(image []byte) ([]byte, error) {
	all := []byte{}
	ended := false
	number := 0
	for line := range bytes.Lines(image) {
		number++
		fail := func(format string, args ...any) ([]byte, error) {
			return nil, fmt.Errorf("firmware image, line %d: %s", number, fmt.Sprintf(format, args...))
		}
		line = bytes.TrimRight(line, "\r\n")
		if ended {
			return fail("found %q after the record that ends it", line)
		}
		digits, ok := bytes.CutPrefix(line, []byte(":"))
		if !ok {
			return fail("found %q, want a record, which begins with a colon", line)
		}
		record, err := hex.AppendDecode(nil, digits)
		if err != nil {
			return fail("found %q, want pairs of hexadecimal digits behind the colon", line)
		}
		if len(record) < 5 || len(record) != 5+int(record[0]) {
			return fail("found %d bytes, want as many as the first says and 5", len(record))
		}
		sum := byte(0)
		for _, b := range record {
			sum += b
		}
		if sum != 0 {
			return fail("its check byte is wrong by %d", sum)
		}
		address, data := int(record[1])<<8|int(record[2]), record[4:len(record)-1]
		switch kind := record[3]; {
		case kind == 1 && len(data) == 0:
			ended = true
		case kind != 0:
			return fail("found a record of kind %d, want 0 for data, or 1 for the end with no data", kind)
		case address+len(data) > flashSize:
			return fail("found data up to address %d, but the flash ends at %d", address+len(data)-1, flashSize-1)
		default:
			if missing := address + len(data) - len(all); missing > 0 {
				all = append(all, bytes.Repeat([]byte{0xFF}, missing)...)
			}
			copy(all[address:], data)
		}
	}
	if !ended {
		return nil, fmt.Errorf("firmware image: it ends after line %d without the record that ends it", number)
	}
	return all, nil
}
