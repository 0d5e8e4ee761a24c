package nmra

// Kind says what an [Instruction] asks for.
type Kind uint8

const (
	// To multifunction decoders (S-9.2, S-9.2.1).
	Idle               Kind = iota + 1 // nothing to anyone
	DecoderReset                       // Address; to all decoders it is the reset packet
	HardReset                          // Address
	ExtendedAddressing                 // Address, On: sets bit 5 of CV 29
	AcknowledgeRequest                 // Address, On
	SetConsist                         // Address, Consist (0 dissolves), Forward (false: runs reversed)
	Stop                               // Address, Steps (to all decoders 28 or 128), Forward; IgnoreDirection or Light
	EmergencyStop                      // as Stop; the motor is cut
	Speed                              // Address, Steps, Step, Forward; Light with 14 steps
	RestrictedSpeed                    // Address, On, Step (1 to 28, 0 where it is switched off)
	AnalogueFunction                   // Address, Output, Value
	Functions                          // Address, Group, States
	BinaryStateShort                   // Address, State (0 to 127, 0: all of them), On
	BinaryStateLong                    // Address, State (0 to 32767, 0: all of them), On
	MainVerify                         // Address, CV, Value; basic accessories: Output, with On
	MainWrite                          // Address, CV, Value; basic accessories: Output, with On
	MainVerifyBit                      // Address, CV, Bit, BitValue; basic accessories: Output, with On
	MainWriteBit                       // Address, CV, Bit, BitValue; basic accessories: Output, with On
	MainWriteShort                     // Address, CV (23 or 24), Value
	AddressQuery                       // Address (short, 1 to 111); old decoders only
	AccessoryOutput                    // Address (BasicAccessory), Output, On
	AccessoryAspect                    // Address (ExtendedAccessory), Value (0 to 31)

	// In service mode (S-9.2.3): no address, whoever is on the programming track.
	DirectVerify    // CV, Value
	DirectWrite     // CV, Value
	DirectVerifyBit // CV, Bit, BitValue
	DirectWriteBit  // CV, Bit, BitValue
	RegisterVerify  // Register, Value: register, paged and address-only mode share these packets
	RegisterWrite   // Register, Value
)

// Service says whether instructions of the kind are for the programming track.
func (k Kind) Service() bool { return k >= DirectVerify && k <= RegisterWrite }

// Steps is how many speed steps an instruction counts in: 14, 28 or 128 (126 are in use).
type Steps uint8

const (
	Steps14  Steps = 14
	Steps28  Steps = 28
	Steps128 Steps = 128
)

// Top is the highest step: 14, 28 or 126; 0 where s is none of the three.
func (s Steps) Top() uint8 {
	switch s {
	case Steps14, Steps28:
		return uint8(s)
	case Steps128:
		return 126
	}
	return 0
}

// Group is one of the groups in which functions are switched (S-9.2.1).
type Group uint8

const (
	F0toF4 Group = iota
	F5toF8
	F9toF12
	F13toF20
	F21toF28
)

// Span is the first and the last function of the group.
func (g Group) Span() (first, last uint8) {
	switch g {
	case F0toF4:
		return 0, 4
	case F5toF8:
		return 5, 8
	case F9toF12:
		return 9, 12
	case F13toF20:
		return 13, 20
	case F21toF28:
		return 21, 28
	}
	return 0, 0
}

// Physical registers of paged and register mode that have a meaning of their own, as a packet counts them, from 0 (S-9.2.3).
const (
	ConfigurationRegister uint8 = 4 // CV 29
	PageRegister          uint8 = 5
	VersionRegister       uint8 = 6 // CV 7
	MakerRegister         uint8 = 7 // CV 8
)

// Instruction is what one packet says, as a plain value: instructions compare with ==.
// Which fields count depends on Kind, as its constants list; all others are zero.
type Instruction struct {
	Kind            Kind
	Address         Address
	Steps           Steps
	Step            uint8 // 1 to Steps.Top()
	Forward         bool
	IgnoreDirection bool // Stop, EmergencyStop with 28 steps: the decoder may ignore Forward
	Light           bool // with 14 steps
	On              bool // in access to a basic accessory's CV: of one Output; else of the whole decoder
	Group           Group
	States          uint8 // Functions: bit 0 is the first of the group
	State           uint16
	Consist         uint8 // 0 to 127
	Output          uint8 // of an accessory, 0 to 7; of an analogue function, 0 to 255
	CV              CV
	Value           uint8
	Bit             uint8 // 0 to 7
	BitValue        bool
	Register        uint8 // physical register, 0 to 7
}

// Reset is the reset packet: all decoders, to their state after power-on. It also leads into service mode.
func Reset() Instruction { return Instruction{Kind: DecoderReset} }

// PagePreset sets the page register to 1, so that the physical registers are those of register mode (S-9.2.3).
func PagePreset() Instruction {
	return Instruction{Kind: RegisterWrite, Register: PageRegister, Value: 1}
}

// FactoryReset asks for the values that the decoder left its maker with: 8 written to CV 8, sent as a register write (S-9.2.3).
func FactoryReset() Instruction {
	return Instruction{Kind: RegisterWrite, Register: MakerRegister, Value: 8}
}
