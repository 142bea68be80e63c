package scpi

// PowerCycle puts the device into the state after power-on: pending operations ended, settings reset, registers and error queue empty, enables 0
// and PON set in the event status register. Connections stay, with what they hold of messages and answers dropped.
func (d *Device) PowerCycle() {
	d.cancelComplete()
	for len(d.pending) > 0 {
		d.pending[0].End()
	}
	for _, s := range d.sessions {
		s.Clear()
	}
	d.format, d.swapped, d.ascii = ASCII, false, 0
	if d.options.Reset != nil {
		_ = d.options.Reset(nil) // nobody asked, so nobody is told
	}
	d.clearStatus()
	d.ese, d.sre, d.esr = 0, 0, PON
	d.statusChanged()
}

// Identify changes what the device answers to *IDN?.
func (d *Device) Identify(maker, model, serial, firmware string) {
	d.options.Maker, d.options.Model, d.options.Serial, d.options.Firmware = maker, model, serial, firmware
}
