package scpi

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Options describe one virtual instrument: what it answers, what it does, and where it departs from the standards.
type Options struct {
	// Maker, Model, Serial and Firmware are the four fields of *IDN?. An empty field is answered as 0. No comma,
	// semicolon or control character.
	Maker, Model, Serial, Firmware string
	Installed                      string // answer to *OPT?; "" is 0

	Commands []Command
	// ErrorQueue is the number of entries in the error queue; 0 is 20.
	ErrorQueue int
	// Registers are status register sets below OPERation or QUEStionable.
	Registers []RegisterSet
	// Digits after the point in a number answered by Call.Number; 0 is 6.
	Digits int
	// CommandTime is the processing time before each program message unit; 0 is none.
	CommandTime time.Duration
	// Details adds to command errors what was wrong: -113,"Undefined header;VOLTA".
	Details bool

	Reset    func(*Call) error        // *RST, after pending operations were ended; nil does nothing
	SelfTest func(*Call) (int, error) // *TST?; nil answers 0
	Trigger  func(*Call) error        // *TRG and the group execute trigger; nil: *TRG is an undefined header
	Save     func(*Call, int) error   // *SAV; nil: undefined header
	Recall   func(*Call, int) error   // *RCL; nil: undefined header
	Version  string                   // answer to SYSTem:VERSion?; "" is 1999.0
	Quirks   Quirks
}

// RegisterSet declares a status register set, or several numbered ones, with the five commands below its path; the
// summary feeds a bit of the parent.
type RegisterSet struct {
	Path   string // "STATus:QUEStionable:INSTrument", in pattern notation without suffixes
	Parent string // "STATus:OPERation", "STATus:QUEStionable" or the Path of a set declared before
	Bit    uint   // 0 to 14, in the parent
	// Count is the number of sets, told apart by a numeric suffix of the last keyword and feeding the bits from Bit up;
	// Device.Register knows them as Path1, Path2 and so on. 0 is a single set without suffix.
	Count int
}

// Quirks are departures from the standards that real instruments show. The zero value departs nowhere.
type Quirks struct {
	FixedPoint       bool     // Call.Number answers NR2 instead of NR3
	PlusSign         bool     // numbers that are not negative get a leading plus
	LowerExponent    bool     // a lower-case e in NR3
	Clip             bool     // a value outside the limits is clipped; no -222
	Compound         Compound // what a semicolon does
	ForgetPath       bool     // every header of a message starts at the root
	CommonResetsPath bool     // a common command puts the path back to the root
	InstantComplete  bool     // *OPC? answers and *OPC sets its bit though operations are pending
	IgnoreWait       bool     // *WAI does nothing
	Silent           bool     // errors set no bit and enter no queue
	BareErrors       bool     // SYSTem:ERRor? answers the number without the text
	PlusZero         bool     // an empty error queue is +0,"No error"
	QueryAfterIDN    bool     // a query may follow *IDN? or *OPT? in one message; no -440
}

// Compound is what an instrument makes of a semicolon between program message units.
type Compound uint8

const (
	// CompoundJoins is the standard: one message, one response with the answers joined.
	CompoundJoins Compound = iota
	// CompoundEnds takes the semicolon for the end of the message: each answer is a response of its own.
	CompoundEnds
	// CompoundRefused executes the first unit only and reports -103.
	CompoundRefused
)

// Device is the part of an instrument that all its connections share: settings reached by its commands, the status
// registers, the error queue and the pending operations. Nothing in it is safe for use by two goroutines at once: the
// owner holds one lock around the device and all its sessions.
type Device struct {
	options      Options
	root         *node
	sessions     []*Session
	errors       errorQueue
	esr, ese     byte
	sre          byte
	operation    *Register
	questionable *Register
	registers    map[string]*Register
	ordered      []*Register

	now     int64
	pending []*Operation
	nextEnd int64
	format  DataFormat
	swapped bool
	ascii   int
}

// NewDevice checks the options and returns an instrument as it is after power-on: PON set in the event status register,
// enables 0. The error joins every complaint.
func NewDevice(o Options) (*Device, error) {
	d := &Device{options: o, root: &node{}, esr: PON, nextEnd: Never, registers: map[string]*Register{}}
	size := o.ErrorQueue
	if size == 0 {
		size = 20
	}
	if d.options.Digits == 0 {
		d.options.Digits = 6
	}
	faults := []error{o.Validate()}
	d.errors.entries = make([]Error, max(size, 2))
	d.operation = d.newRegister("STATus:OPERation", nil, 0)
	d.questionable = d.newRegister("STATus:QUEStionable", nil, 0)
	commands := append(d.commonCommands(), d.systemCommands()...)
	commands = append(commands, registerCommands(d.operation.path, d.operation)...)
	commands = append(commands, registerCommands(d.questionable.path, d.questionable)...)
	for _, set := range o.Registers {
		made, err := d.newRegisters(set)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		path := set.Path
		if set.Count > 0 {
			path += fmt.Sprintf("[1..%d]", set.Count)
		}
		commands = append(commands, registerCommands(path, made...)...)
	}
	for _, c := range append(commands, o.Commands...) {
		if err := d.root.add(c); err != nil {
			faults = append(faults, err)
		}
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return d, nil
}

// Validate joins every complaint about the plain fields; commands are judged by NewDevice.
func (o Options) Validate() error {
	var faults []error
	length := 3
	for _, f := range [4]string{o.Maker, o.Model, o.Serial, o.Firmware} {
		length += max(len(f), 1)
		if strings.ContainsFunc(f, func(r rune) bool { return r < ' ' || r > '~' || r == ',' || r == ';' }) {
			faults = append(faults, fmt.Errorf("identity field %q: only printable ASCII without comma and semicolon", f))
		}
	}
	if length > 72 {
		faults = append(faults, fmt.Errorf("identity: %d characters with its commas, at most 72 are allowed", length))
	}
	if o.ErrorQueue < 0 || o.ErrorQueue == 1 {
		faults = append(faults, fmt.Errorf("error queue of %d entries: at least 2 are needed, or 0 for the default", o.ErrorQueue))
	}
	if o.Digits < 0 || o.Digits > 16 {
		faults = append(faults, fmt.Errorf("%d digits after the point: 0 to 16 are possible", o.Digits))
	}
	if o.CommandTime < 0 {
		faults = append(faults, fmt.Errorf("command time %v is negative", o.CommandTime))
	}
	return errors.Join(faults...)
}

func (d *Device) newRegister(path string, parent *Register, bit uint16) *Register {
	r := &Register{device: d, path: path, parent: parent, bit: bit}
	r.preset()
	d.registers[path] = r
	d.ordered = append(d.ordered, r)
	return r
}

// newRegisters makes the register sets of one declaration.
func (d *Device) newRegisters(set RegisterSet) ([]*Register, error) {
	parent := d.registers[set.Parent]
	if parent == nil {
		return nil, fmt.Errorf("register set %q: parent %q is unknown; declare it before", set.Path, set.Parent)
	}
	if set.Count < 0 || set.Bit+uint(max(set.Count, 1)) > 15 {
		return nil, fmt.Errorf("register set %q: %d sets from bit %d up do not fit bits 0 to 14", set.Path, set.Count, set.Bit)
	}
	if set.Count == 0 {
		return []*Register{d.newRegister(set.Path, parent, 1<<set.Bit)}, nil
	}
	var made []*Register
	for i := range set.Count {
		made = append(made, d.newRegister(fmt.Sprint(set.Path, i+1), parent, 1<<(set.Bit+uint(i))))
	}
	return made, nil
}

// Operation returns the OPERation status register set.
func (d *Device) Operation() *Register { return d.operation }

// Questionable returns the QUEStionable status register set.
func (d *Device) Questionable() *Register { return d.questionable }

// Register returns the set declared with the given path (with its number, if it has a Count), or nil.
func (d *Device) Register(path string) *Register { return d.registers[path] }

// Post reports an error or event that no command caused: it enters the error queue and sets its bit of the standard
// event status register. Events from -500 down only set their bit.
func (d *Device) Post(err error) {
	e := asError(err)
	if d.options.Quirks.Silent || e.Code == NoError {
		return
	}
	bits := e.Code.eventBit()
	if e.Code > -500 && d.errors.push(e) {
		bits |= DDE
	}
	d.esr |= bits
	d.statusChanged()
}

// Errors returns the number of entries in the error queue.
func (d *Device) Errors() int { return d.errors.count }

// EventStatus returns the standard event status register without clearing it.
func (d *Device) EventStatus() byte { return d.esr }
