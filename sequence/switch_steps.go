package sequence

import "fourwire/internal/diag"

// Switching closes or opens a switch of a fixture. It does so while every source is off, unless Hot says that current may flow.
type Switching struct {
	Pos
	Role string
	To   Switch
	Hot  bool
}

func switchShape() *diag.Shape {
	return &diag.Shape{Title: "a switch step", About: "Closes or opens a switch of the fixture.", Fields: []diag.Field{
		{Name: "switch", Type: diag.Text(), Required: true, About: "the name of a need with the role switch"},
		{Name: "to", Type: diag.Word("on", "off"), Required: true, About: "on: it joins its nodes; off: it does not"},
		{Name: "hot", Type: diag.YesNo(), About: "yes: it may move while a source is on; no if not said"},
	}}
}

func (r *reader) switching(p Pos, n *diag.Node) *Switching {
	out := &Switching{Pos: p, Role: text(n.Get("switch")), To: onOff(n.Get("to")), Hot: yes(n.Get("hot"))}
	r.role(n.Get("switch"), RoleSwitch)
	return out
}
