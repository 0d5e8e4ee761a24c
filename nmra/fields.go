package nmra

import "fmt"

// field is a set of fields of an [Instruction].
type field uint16

const (
	fieldSteps field = 1 << iota
	fieldStep
	fieldForward
	fieldIgnoreDirection
	fieldLight
	fieldOn
	fieldGroup
	fieldStates
	fieldState
	fieldConsist
	fieldOutput
	fieldCV
	fieldValue
	fieldBit
	fieldBitValue
	fieldRegister
)

// Fields that go together.
const (
	motion     = fieldSteps | fieldForward | fieldLight
	directByte = fieldCV | fieldValue
	directBit  = fieldCV | fieldBit | fieldBitValue
	mainByte   = directByte | fieldOutput | fieldOn
	mainBit    = directBit | fieldOutput | fieldOn
)

// receiver is a set of kinds of address.
type receiver uint8

const (
	nobody   receiver = 0
	vehicles receiver = 1<<Broadcast | 1<<Short | 1<<Long
	anyone   receiver = vehicles | 1<<BasicAccessory | 1<<ExtendedAccessory
	oldOnes  receiver = 1 << Short
	basic    receiver = 1 << BasicAccessory
	extended receiver = 1 << ExtendedAccessory
)

// rules says for each kind to whom it may go and which fields it has.
var rules = [...]struct {
	to  receiver
	has field
}{
	Idle:               {nobody, 0},
	DecoderReset:       {vehicles, 0},
	HardReset:          {vehicles, 0},
	ExtendedAddressing: {vehicles, fieldOn},
	AcknowledgeRequest: {vehicles, fieldOn},
	SetConsist:         {vehicles, fieldConsist | fieldForward},
	Stop:               {vehicles, motion | fieldIgnoreDirection},
	EmergencyStop:      {vehicles, motion | fieldIgnoreDirection},
	Speed:              {vehicles, motion | fieldStep},
	RestrictedSpeed:    {vehicles, fieldOn | fieldStep},
	AnalogueFunction:   {vehicles, fieldOutput | fieldValue},
	Functions:          {vehicles, fieldGroup | fieldStates},
	BinaryStateShort:   {vehicles, fieldState | fieldOn},
	BinaryStateLong:    {vehicles, fieldState | fieldOn},
	MainVerify:         {anyone, mainByte},
	MainWrite:          {anyone, mainByte},
	MainVerifyBit:      {anyone, mainBit},
	MainWriteBit:       {anyone, mainBit},
	MainWriteShort:     {vehicles, fieldCV | fieldValue},
	AddressQuery:       {oldOnes, 0},
	AccessoryOutput:    {basic, fieldOutput | fieldOn},
	AccessoryAspect:    {extended, fieldValue},
	DirectVerify:       {nobody, directByte},
	DirectWrite:        {nobody, directByte},
	DirectVerifyBit:    {nobody, directBit},
	DirectWriteBit:     {nobody, directBit},
	RegisterVerify:     {nobody, fieldRegister | fieldValue},
	RegisterWrite:      {nobody, fieldRegister | fieldValue},
}

// used is the set of fields that are not zero.
func (i *Instruction) used() field {
	return in(i.Steps != 0, fieldSteps) | in(i.Step != 0, fieldStep) | in(i.Forward, fieldForward) |
		in(i.IgnoreDirection, fieldIgnoreDirection) | in(i.Light, fieldLight) | in(i.On, fieldOn) |
		in(i.Group != 0, fieldGroup) | in(i.States != 0, fieldStates) | in(i.State != 0, fieldState) |
		in(i.Consist != 0, fieldConsist) | in(i.Output != 0, fieldOutput) | in(i.CV != 0, fieldCV) |
		in(i.Value != 0, fieldValue) | in(i.Bit != 0, fieldBit) | in(i.BitValue, fieldBitValue) |
		in(i.Register != 0, fieldRegister)
}

func in(condition bool, f field) field {
	if condition {
		return f
	}
	return 0
}

// numbers are the fields in the order of their bits in a set of fields.
func (i *Instruction) numbers() [16]uint16 {
	return [16]uint16{
		uint16(i.Steps), uint16(i.Step), uint16(flag(i.Forward, 1)), uint16(flag(i.IgnoreDirection, 1)),
		uint16(flag(i.Light, 1)), uint16(flag(i.On, 1)), uint16(i.Group), uint16(i.States),
		i.State, uint16(i.Consist), uint16(i.Output), uint16(i.CV),
		uint16(i.Value), uint16(i.Bit), uint16(flag(i.BitValue, 1)), uint16(i.Register),
	}
}

var fieldNames = [16]string{
	"Steps", "Step", "Forward", "IgnoreDirection", "Light", "On", "Group", "States",
	"State", "Consist", "Output", "CV", "Value", "Bit", "BitValue", "Register",
}

// check finds the first field that i can't be sent with.
func (i *Instruction) check() error {
	if i.Kind == 0 || int(i.Kind) >= len(rules) {
		return &FieldError{i.Kind, "Kind", int(i.Kind), "one of the kinds of instruction"}
	}
	rule := &rules[i.Kind]
	if stray := i.used() &^ rule.has; stray != 0 {
		for n, number := range i.numbers() {
			if stray>>n&1 == 1 {
				return &FieldError{i.Kind, fieldNames[n], int(number), "0: an instruction of this kind has none"}
			}
		}
	}
	if err := i.checkAddress(rule.to); err != nil {
		return err
	}
	switch i.Kind {
	case Stop, EmergencyStop, Speed:
		return i.checkSpeed()
	case RestrictedSpeed:
		if i.On {
			return i.within("Step", int(i.Step), 1, 28)
		}
		return i.within("Step", int(i.Step), 0, 0)
	case SetConsist:
		return i.within("Consist", int(i.Consist), 0, 127)
	case Functions:
		if err := i.within("Group", int(i.Group), 0, int(F21toF28)); err != nil {
			return err
		}
		first, last := i.Group.Span()
		return i.within("States", int(i.States), 0, 1<<(last-first+1)-1)
	case BinaryStateShort:
		return i.within("State", int(i.State), 0, 127)
	case BinaryStateLong:
		return i.within("State", int(i.State), 0, 32767)
	case MainWriteShort:
		return i.within("CV", int(i.CV), 23, 24)
	case AccessoryOutput:
		return i.within("Output", int(i.Output), 0, 7)
	case AccessoryAspect:
		return i.within("Value", int(i.Value), 0, 31)
	case RegisterVerify, RegisterWrite:
		return i.within("Register", int(i.Register), 0, 7)
	}
	if rule.has&fieldCV != 0 {
		return i.checkAccess()
	}
	return nil
}

func (i *Instruction) checkAddress(to receiver) error {
	a := i.Address
	switch {
	case to == nobody && a != Address{}:
		return &FieldError{i.Kind, "Address", int(a.Number), "none: it goes to no address"}
	case to == nobody:
		return nil
	case a.Kind > ExtendedAccessory || to>>a.Kind&1 == 0:
		return &FieldError{i.Kind, "Address.Kind", int(a.Kind), to.String()}
	case !a.Valid():
		return &FieldError{i.Kind, "Address", int(a.Number), addressRanges[a.Kind]}
	case i.Kind == AddressQuery:
		return i.within("Address", int(a.Number), 1, 111)
	}
	return nil
}

var addressRanges = [...]string{
	Broadcast:         "0: all decoders",
	Short:             "1 to 127, short",
	Long:              "0 to 10239, long",
	BasicAccessory:    "0 to 511, basic accessory",
	ExtendedAccessory: "0 to 2047, extended accessory",
}

func (r receiver) String() string {
	switch r {
	case vehicles:
		return "that of a vehicle decoder, or broadcast"
	case oldOnes:
		return "short"
	case basic:
		return "basic accessory"
	case extended:
		return "extended accessory"
	}
	return "a kind of address"
}

func (i *Instruction) checkSpeed() error {
	top := i.Steps.Top()
	switch {
	case top == 0:
		return &FieldError{i.Kind, "Steps", int(i.Steps), "14, 28 or 128"}
	case i.Light && i.Steps != Steps14:
		return &FieldError{i.Kind, "Light", 1, "0: only instructions in 14 steps carry the light"}
	case i.IgnoreDirection && i.Steps != Steps28:
		return &FieldError{i.Kind, "IgnoreDirection", 1, "0: only stops in 28 steps have it"}
	case i.Kind == Speed:
		return i.within("Step", int(i.Step), 1, int(top))
	case i.Address.Kind == Broadcast && i.Steps == Steps14:
		// S-9.2 gives the bit that would be the light another meaning in the broadcast stop.
		return &FieldError{i.Kind, "Steps", int(i.Steps), "28 or 128: all decoders read the broadcast stop as in 28 steps"}
	}
	return nil
}

// checkAccess checks the fields of a long access to a CV, on the main or in direct mode.
func (i *Instruction) checkAccess() error {
	if err := i.within("CV", int(i.CV), 1, int(MaxCV)); err != nil {
		return err
	}
	if err := i.within("Bit", int(i.Bit), 0, 7); err != nil {
		return err
	}
	switch {
	case i.Address.Kind != BasicAccessory && i.Output != 0:
		return &FieldError{i.Kind, "Output", int(i.Output), "0: only a basic accessory has outputs"}
	case i.Address.Kind != BasicAccessory && i.On:
		return &FieldError{i.Kind, "On", 1, "0: only a basic accessory has outputs"}
	case !i.On:
		return i.within("Output", int(i.Output), 0, 0) // the whole decoder; that On goes with one output is from memory
	}
	return i.within("Output", int(i.Output), 0, 7)
}

func (i *Instruction) within(name string, found, low, high int) error {
	if found >= low && found <= high {
		return nil
	}
	want := fmt.Sprint(low)
	if low < high {
		want = fmt.Sprintf("%d to %d", low, high)
	}
	return &FieldError{i.Kind, name, found, want}
}
