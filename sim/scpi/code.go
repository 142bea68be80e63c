package scpi

import "strconv"

// Code is an error or event number of SCPI-1999 (clause 21.8): negative numbers are the standard's, positive ones the
// instrument's own. A Code is an error, so that a handler can return one as it stands.
type Code int

// Numbers of SCPI-1999. The ranges give the class and so the bit of the standard event status register: -100 to -199
// command error, -200 to -299 execution error, -300 to -399 device-specific error, -400 to -499 query error.
const (
	NoError                      Code = 0
	CommandError                 Code = -100
	InvalidCharacter             Code = -101
	SyntaxError                  Code = -102
	InvalidSeparator             Code = -103
	DataTypeError                Code = -104
	GetNotAllowed                Code = -105
	ParameterNotAllowed          Code = -108
	MissingParameter             Code = -109
	CommandHeaderError           Code = -110
	HeaderSeparatorError         Code = -111
	ProgramMnemonicTooLong       Code = -112
	UndefinedHeader              Code = -113
	HeaderSuffixOutOfRange       Code = -114
	UnexpectedNumberOfParameters Code = -115
	NumericDataError             Code = -120
	InvalidCharacterInNumber     Code = -121
	ExponentTooLarge             Code = -123
	TooManyDigits                Code = -124
	NumericDataNotAllowed        Code = -128
	SuffixError                  Code = -130
	InvalidSuffix                Code = -131
	SuffixTooLong                Code = -134
	SuffixNotAllowed             Code = -138
	CharacterDataError           Code = -140
	InvalidCharacterData         Code = -141
	CharacterDataTooLong         Code = -144
	CharacterDataNotAllowed      Code = -148
	StringDataError              Code = -150
	InvalidStringData            Code = -151
	StringDataNotAllowed         Code = -158
	BlockDataError               Code = -160
	InvalidBlockData             Code = -161
	BlockDataNotAllowed          Code = -168
	ExpressionError              Code = -170
	InvalidExpression            Code = -171
	ExpressionDataNotAllowed     Code = -178
	MacroError                   Code = -180
	ExecutionError               Code = -200
	InvalidWhileInLocal          Code = -201
	SettingsLost                 Code = -202
	CommandProtected             Code = -203
	TriggerError                 Code = -210
	TriggerIgnored               Code = -211
	ArmIgnored                   Code = -212
	InitIgnored                  Code = -213
	TriggerDeadlock              Code = -214
	ArmDeadlock                  Code = -215
	ParameterError               Code = -220
	SettingsConflict             Code = -221
	DataOutOfRange               Code = -222
	TooMuchData                  Code = -223
	IllegalParameterValue        Code = -224
	DataCorruptOrStale           Code = -230
	DataQuestionable             Code = -231
	HardwareError                Code = -240
	HardwareMissing              Code = -241
	DeviceSpecificError          Code = -300
	SystemError                  Code = -310
	MemoryError                  Code = -311
	PUDMemoryLost                Code = -312
	CalibrationMemoryLost        Code = -313
	SaveRecallMemoryLost         Code = -314
	ConfigurationMemoryLost      Code = -315
	StorageFault                 Code = -320
	OutOfMemory                  Code = -321
	SelfTestFailed               Code = -330
	CalibrationFailed            Code = -340
	QueueOverflow                Code = -350
	CommunicationError           Code = -360
	ParityErrorInMessage         Code = -361
	FramingErrorInMessage        Code = -362
	InputBufferOverrun           Code = -363
	TimeOutError                 Code = -365
	QueryError                   Code = -400
	QueryInterrupted             Code = -410
	QueryUnterminated            Code = -420
	QueryDeadlocked              Code = -430
	QueryUnterminatedIndefinite  Code = -440
	PowerOn                      Code = -500
	UserRequest                  Code = -600
	RequestControl               Code = -700
	OperationComplete            Code = -800
)

// Text returns the standard's wording for the number, without detail; "Device-specific error" for a number that has
// none of its own.
func (c Code) Text() string {
	switch c {
	case NoError:
		return "No error"
	case CommandError:
		return "Command error"
	case InvalidCharacter:
		return "Invalid character"
	case SyntaxError:
		return "Syntax error"
	case InvalidSeparator:
		return "Invalid separator"
	case DataTypeError:
		return "Data type error"
	case GetNotAllowed:
		return "GET not allowed"
	case ParameterNotAllowed:
		return "Parameter not allowed"
	case MissingParameter:
		return "Missing parameter"
	case CommandHeaderError:
		return "Command header error"
	case HeaderSeparatorError:
		return "Header separator error"
	case ProgramMnemonicTooLong:
		return "Program mnemonic too long"
	case UndefinedHeader:
		return "Undefined header"
	case HeaderSuffixOutOfRange:
		return "Header suffix out of range"
	case UnexpectedNumberOfParameters:
		return "Unexpected number of parameters"
	case NumericDataError:
		return "Numeric data error"
	case InvalidCharacterInNumber:
		return "Invalid character in number"
	case ExponentTooLarge:
		return "Exponent too large"
	case TooManyDigits:
		return "Too many digits"
	case NumericDataNotAllowed:
		return "Numeric data not allowed"
	case SuffixError:
		return "Suffix error"
	case InvalidSuffix:
		return "Invalid suffix"
	case SuffixTooLong:
		return "Suffix too long"
	case SuffixNotAllowed:
		return "Suffix not allowed"
	case CharacterDataError:
		return "Character data error"
	case InvalidCharacterData:
		return "Invalid character data"
	case CharacterDataTooLong:
		return "Character data too long"
	case CharacterDataNotAllowed:
		return "Character data not allowed"
	case StringDataError:
		return "String data error"
	case InvalidStringData:
		return "Invalid string data"
	case StringDataNotAllowed:
		return "String data not allowed"
	case BlockDataError:
		return "Block data error"
	case InvalidBlockData:
		return "Invalid block data"
	case BlockDataNotAllowed:
		return "Block data not allowed"
	case ExpressionError:
		return "Expression error"
	case InvalidExpression:
		return "Invalid expression"
	case ExpressionDataNotAllowed:
		return "Expression data not allowed"
	case MacroError:
		return "Macro error"
	case ExecutionError:
		return "Execution error"
	case InvalidWhileInLocal:
		return "Invalid while in local"
	case SettingsLost:
		return "Settings lost due to rtl"
	case CommandProtected:
		return "Command protected"
	case TriggerError:
		return "Trigger error"
	case TriggerIgnored:
		return "Trigger ignored"
	case ArmIgnored:
		return "Arm ignored"
	case InitIgnored:
		return "Init ignored"
	case TriggerDeadlock:
		return "Trigger deadlock"
	case ArmDeadlock:
		return "Arm deadlock"
	}
	return c.lowerText()
}

// lowerText is the second half of the table, from -220 down.
func (c Code) lowerText() string {
	switch c {
	case ParameterError:
		return "Parameter error"
	case SettingsConflict:
		return "Settings conflict"
	case DataOutOfRange:
		return "Data out of range"
	case TooMuchData:
		return "Too much data"
	case IllegalParameterValue:
		return "Illegal parameter value"
	case DataCorruptOrStale:
		return "Data corrupt or stale"
	case DataQuestionable:
		return "Data questionable"
	case HardwareError:
		return "Hardware error"
	case HardwareMissing:
		return "Hardware missing"
	case SystemError:
		return "System error"
	case MemoryError:
		return "Memory error"
	case PUDMemoryLost:
		return "PUD memory lost"
	case CalibrationMemoryLost:
		return "Calibration memory lost"
	case SaveRecallMemoryLost:
		return "Save/recall memory lost"
	case ConfigurationMemoryLost:
		return "Configuration memory lost"
	case StorageFault:
		return "Storage fault"
	case OutOfMemory:
		return "Out of memory"
	case SelfTestFailed:
		return "Self-test failed"
	case CalibrationFailed:
		return "Calibration failed"
	case QueueOverflow:
		return "Queue overflow"
	case CommunicationError:
		return "Communication error"
	case ParityErrorInMessage:
		return "Parity error in program message"
	case FramingErrorInMessage:
		return "Framing error in program message"
	case InputBufferOverrun:
		return "Input buffer overrun"
	case TimeOutError:
		return "Time out error"
	case QueryError:
		return "Query error"
	case QueryInterrupted:
		return "Query INTERRUPTED"
	case QueryUnterminated:
		return "Query UNTERMINATED"
	case QueryDeadlocked:
		return "Query DEADLOCKED"
	case QueryUnterminatedIndefinite:
		return "Query UNTERMINATED after indefinite response"
	case PowerOn:
		return "Power on"
	case UserRequest:
		return "User request"
	case RequestControl:
		return "Request control"
	case OperationComplete:
		return "Operation complete"
	}
	return "Device-specific error"
}

// Error returns the number and its text, as in `-222 Data out of range`.
func (c Code) Error() string { return strconv.Itoa(int(c)) + " " + c.Text() }

// With returns the same error with a detail, which SYSTem:ERRor? shows after a semicolon.
func (c Code) With(detail string) Error { return Error{Code: c, Detail: detail} }

// eventBit returns the bit of the standard event status register that an entry of this number sets.
func (c Code) eventBit() byte {
	switch {
	case c > 0 || c <= -300 && c > -400:
		return DDE
	case c <= -100 && c > -200:
		return CME
	case c <= -200 && c > -300:
		return EXE
	case c <= -400 && c > -500:
		return QYE
	case c <= -500 && c > -600:
		return PON
	case c <= -600 && c > -700:
		return URQ
	case c <= -700 && c > -800:
		return RQC
	case c <= -800 && c > -900:
		return OPC
	}
	return 0
}

// Error is an entry for the error queue with a detail or with a text of the instrument's own.
type Error struct {
	Code   Code
	Text   string // "" is the standard's text for Code
	Detail string // shown after a semicolon; "" is none
}

// Error returns number, text and detail in one line.
func (e Error) Error() string {
	return strconv.Itoa(int(e.Code)) + " " + e.message()
}

// message returns text and detail as they stand in the error queue.
func (e Error) message() string {
	text := e.Text
	if text == "" {
		text = e.Code.Text()
	}
	if e.Detail != "" {
		text += ";" + e.Detail
	}
	return text
}
