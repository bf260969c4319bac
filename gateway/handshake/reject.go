package handshake

// Reasons of a rejection, in the order in which the controller checks. To
// RejectPermissive it adds the number of the first permissive that is off, to
// RejectLimit the register of the setpoint in the payload less FirstSetpoint.
const (
	RejectDamaged    uint16 = 10
	RejectOtherOffer uint16 = 11
	RejectWrongRoll  uint16 = 12
	RejectTooLate    uint16 = 13
	RejectNotAlive   uint16 = 14
	RejectPermissive uint16 = 20
	RejectLimit      uint16 = 60
)

// FirstSetpoint is the register of the first setpoint in the payload.
const FirstSetpoint = 33
