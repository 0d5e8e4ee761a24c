package boardsim

import (
	_ "embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
)

//go:embed chip/lockstep.c
var lockstepSource []byte

// The clock of the chip, and how its cycles go into time.
const (
	frequency       = 16_000_000
	cyclesPerMicro  = frequency / 1_000_000
	nanosPer2Cycles = 125
)

// order is what the chip is to see, and for how many cycles at most, as chip/lockstep.c has it.
type order struct {
	Cycles          uint32
	Current, Supply uint16 // millivolts at ADC0 and ADC5
	Byte            int16  // whose start bit comes in now, or noByte
	Gates           uint8  // levels of PC1 to PC4, in their places
	Hang            Hang
}

const noByte = -1

const (
	edge uint8 = iota + 1
	switched
	sent
	wasReset
	crashed
)

// event is what the chip did, as chip/lockstep.c has it.
type event struct {
	Offset uint32 // in cycles from the beginning of the order
	Kind   uint8
	Value  uint8
	Cycles uint16 // how long a byte is on the line
}

const eventSize = 8

// chip is the process that simulates the microcontroller.
type chip struct {
	process *exec.Cmd
	orders  *os.File
	replies *os.File
	said    *strings.Builder // on its standard error
	buffer  []byte
	events  []event
}

// startChip starts the simulation with what is in the flash.
func startChip(flash []byte) (*chip, error) {
	program, err := compiled()
	if err != nil {
		return nil, err
	}
	theirOrders, orders, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	replies, theirReplies, err := os.Pipe()
	if err != nil {
		return nil, errors.Join(err, theirOrders.Close(), orders.Close())
	}
	c := &chip{orders: orders, replies: replies, said: &strings.Builder{}}
	c.process = exec.Command(fmt.Sprintf("/proc/self/fd/%d", program.Fd()))
	c.process.Stdin, c.process.Stdout, c.process.Stderr = theirOrders, theirReplies, c.said
	err = errors.Join(c.process.Start(), theirOrders.Close(), theirReplies.Close())
	if err != nil {
		return nil, errors.Join(fmt.Errorf("starting the simulated chip: %w", err), orders.Close(), replies.Close())
	}
	image := binary.NativeEndian.AppendUint32(nil, uint32(len(flash)))
	if _, err := orders.Write(append(image, flash...)); err != nil {
		return nil, errors.Join(fmt.Errorf("loading the simulated chip: %w", err), c.close())
	}
	return c, nil
}

// run lets the chip do what the order says, and says for how many cycles it did. The events are good until the next order.
func (c *chip) run(o order) (cycles int64, events []event, err error) {
	b := c.buffer[:0]
	b = binary.NativeEndian.AppendUint32(b, o.Cycles)
	b = binary.NativeEndian.AppendUint16(b, o.Current)
	b = binary.NativeEndian.AppendUint16(b, o.Supply)
	b = binary.NativeEndian.AppendUint16(b, uint16(o.Byte))
	b = append(b, o.Gates, uint8(o.Hang))
	c.buffer = b
	if _, err := c.orders.Write(b); err != nil {
		return 0, nil, c.died(err)
	}
	reply, err := c.read(8)
	if err != nil {
		return 0, nil, c.died(err)
	}
	cycles = int64(binary.NativeEndian.Uint32(reply))
	records, err := c.read(int(binary.NativeEndian.Uint32(reply[4:])) * eventSize)
	if err != nil {
		return 0, nil, c.died(err)
	}
	c.events = c.events[:0]
	for ; len(records) > 0; records = records[eventSize:] {
		c.events = append(c.events, event{
			Offset: binary.NativeEndian.Uint32(records),
			Kind:   records[4],
			Value:  records[5],
			Cycles: binary.NativeEndian.Uint16(records[6:]),
		})
	}
	return cycles, c.events, nil
}

func (c *chip) read(n int) ([]byte, error) {
	if n > cap(c.buffer) {
		c.buffer = make([]byte, n)
	}
	b := c.buffer[:n]
	_, err := io.ReadFull(c.replies, b)
	return b, err
}

// died is the error of a simulation that ended by itself.
func (c *chip) died(err error) error {
	errs := []error{err, c.close()}
	if said := strings.TrimSpace(c.said.String()); said != "" {
		errs = append(errs, errors.New(said))
	}
	return fmt.Errorf("the simulated chip ended: %w", errors.Join(errs...))
}

// close ends the simulation, once.
func (c *chip) close() error {
	if c.process == nil {
		return nil
	}
	process := c.process
	c.process = nil
	return errors.Join(c.orders.Close(), c.replies.Close(), process.Wait())
}

// compiled is the program of compile, which is compiled once.
var compiled = sync.OnceValues(compile)

// compile compiles the simulation. Its file is removed at once, and the program run by its descriptor: so nothing is left behind, however
// this one ends.
func compile() (*os.File, error) {
	if _, err := exec.LookPath("gcc"); err != nil {
		return nil, fmt.Errorf("simulating the board takes a C compiler: %w: install Debian's packages "+
			"gcc, libc6-dev, libsimavr-dev and libelf-dev", err)
	}
	folder, err := os.MkdirTemp("", "boardsim")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	source, program := filepath.Join(folder, "lockstep.c"), filepath.Join(folder, "lockstep")
	if err := os.WriteFile(source, lockstepSource, 0o600); err != nil {
		return nil, err
	}
	said, err := exec.Command("gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", program, source, "-lsimavr", "-lelf", "-lm").CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("compiling the simulation of the board: %w: where files of simavr or libelf are missing, "+
			"install Debian's packages libsimavr-dev and libelf-dev. The compiler said:\n%s", err, said)
	}
	return os.Open(program)
}
