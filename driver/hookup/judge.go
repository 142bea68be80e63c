package hookup

import (
	"fmt"
	"math"
)

// judge puts together what each source moved: which channels went along with which one.
func (k *checker) judge() {
	k.stillDead()
	swapped := k.swaps()
	for _, t := range k.trials {
		if t.dead || t.pulled || swapped[t] || math.Abs(t.at) < 0.3*t.level.volts {
			continue
		}
		k.fedByDevice(t)
		own := k.witnesses(t.probe.wire.Node)
		if len(own) == 0 {
			continue
		}
		var with, against, without []*probe
		for _, w := range own {
			switch f := t.follow(w); {
			case f > follows:
				with = append(with, w)
			case f < -follows:
				against = append(against, w)
			case math.Abs(f) < ignores:
				without = append(without, w)
			}
		}
		switch {
		case len(with) > 0:
			for _, w := range against {
				k.reversed(w, t, fmt.Sprintf("%s reads %s, %s reads %s", w, volts(t.seen[w].volts), with[0], volts(t.seen[with[0]].volts)))
			}
			for _, w := range without {
				k.astray(w, t, with[0])
			}
		case len(against) > 0:
			k.turned(t, against)
		case len(without) == len(own):
			k.elsewhere(t, own)
		}
	}
}

// fedByDevice compares what reads a node that has no source but that the device passes the voltage on to.
func (k *checker) fedByDevice(t *trial) {
	if !t.arrives(k) {
		return
	}
	done := map[string]bool{}
	for _, s := range k.sources() {
		done[s.wire.Node] = true
	}
	for _, p := range k.witnesses("") {
		node := p.wire.Node
		if done[node] {
			continue
		}
		done[node] = true
		all := k.witnesses(node)
		var with *probe
		for _, w := range all {
			if with == nil && t.follow(w) > ignores {
				with = w
			}
		}
		for _, w := range all {
			switch f := t.follow(w); {
			case f < -follows && with != nil:
				k.reversed(w, t, fmt.Sprintf("%s reads %s, %s reads %s", w, volts(t.seen[w].volts), with, volts(t.seen[with].volts)))
			case f < -follows && len(all) == 1:
				k.reversed(w, t, fmt.Sprintf("%s reads %s", w, volts(t.seen[w].volts)))
			case math.Abs(f) < ignores && with != nil && t.follow(with) > follows:
				k.astray(w, t, with)
			}
		}
	}
}

// arrives tells whether the source reaches its own node.
func (t *trial) arrives(k *checker) bool {
	for _, w := range k.witnesses(t.probe.wire.Node) {
		if t.follow(w) > follows {
			return true
		}
	}
	return false
}

func (k *checker) reversed(p *probe, t *trial, evidence string) {
	k.fault(Fault{Kind: Polarity, Channel: p.String(), Node: p.wire.Node, Text: p.String() + " is reversed", Evidence: fmt.Sprintf("%s gives %s; %s", t.probe, volts(t.at), evidence), Remedy: "exchange plus and minus of " + p.String()})
}

// turned is a node that goes the other way: the source is reversed, or what reads it.
func (k *checker) turned(t *trial, against []*probe) {
	evidence := ""
	for i, w := range against {
		if i > 0 {
			evidence += ", "
		}
		evidence += fmt.Sprintf("%s reads %s", w, volts(t.seen[w].volts))
	}
	if len(against) > 1 {
		k.reversed(t.probe, t, evidence+": they agree")
		return
	}
	if line := k.ammeters(t.probe.wire.Node); len(line) > 0 && math.Abs(t.leak) > 0.2*leastLeak {
		evidence += fmt.Sprintf(", %s shows %s", line[0], amps(t.leak))
		if t.leak < 0 {
			k.reversed(t.probe, t, evidence+": the current flows backwards too")
		} else {
			k.reversed(against[0], t, evidence+": the current flows forwards")
		}
		return
	}
	f := Fault{Kind: Polarity, Channel: t.probe.String(), Other: against[0].String(), Node: t.probe.wire.Node, Text: fmt.Sprintf("%s or %s is reversed", t.probe, against[0]),
		Evidence: fmt.Sprintf("%s gives %s; %s; nothing else reads this node, so the readings cannot tell which", t.probe, volts(t.at), evidence), Remedy: "look at both; do not energise the device before"}
	k.fault(f)
}

// astray is a channel that does not see its node although another one does.
func (k *checker) astray(w *probe, t *trial, with *probe) {
	evidence := fmt.Sprintf("%s gives %s; %s reads %s", t.probe, volts(t.at), w, volts(t.seen[w].volts))
	if with != nil {
		evidence += fmt.Sprintf(", %s reads %s", with, volts(t.seen[with].volts))
	}
	if o := k.follower(w, t); o != nil {
		k.fault(Fault{Kind: WrongNode, Channel: w.String(), Node: w.wire.Node, At: o.probe.wire.Node, Text: fmt.Sprintf("%s is at %s, not at %s", w, o.probe.wire.Node, w.wire.Node),
			Evidence: evidence + fmt.Sprintf("; with %s it reads %s", o.probe, volts(o.seen[w].volts)), Remedy: "move its leads to " + w.wire.Node})
		return
	}
	k.fault(Fault{Kind: NotConnected, Channel: w.String(), Node: w.wire.Node, Text: fmt.Sprintf("%s does not see %s", w, w.wire.Node), Evidence: evidence, Remedy: "look at its leads and its input terminals"})
}

// follower is another source that a channel goes along with wholly; nil where there is none.
func (k *checker) follower(w *probe, t *trial) *trial {
	for _, o := range k.trials {
		if o != t && !o.dead && o.follow(w) > 0.9 {
			return o
		}
	}
	return nil
}

// elsewhere is a source that moves nothing of its own node.
func (k *checker) elsewhere(t *trial, own []*probe) {
	name, node := t.probe.String(), t.probe.wire.Node
	for _, w := range own {
		if k.follower(w, t) != nil {
			k.astray(w, t, nil)
			return
		}
	}
	evidence := fmt.Sprintf("%s gives %s", name, volts(t.at))
	for _, w := range own {
		evidence += fmt.Sprintf("; %s reads %s", w, volts(t.seen[w].volts))
	}
	byNode := map[string][]*probe{}
	var nodes []string
	for _, w := range k.witnesses("") {
		if w.wire.Node == node || math.Abs(t.follow(w)) < 0.9 {
			continue
		}
		if byNode[w.wire.Node] == nil {
			nodes = append(nodes, w.wire.Node)
		}
		byNode[w.wire.Node] = append(byNode[w.wire.Node], w)
		evidence += fmt.Sprintf("; %s at %s reads %s", w, w.wire.Node, volts(t.seen[w].volts))
	}
	if len(nodes) == 0 {
		k.apart(t, own, evidence)
		return
	}
	there := nodes[0]
	all := k.witnesses(there)
	moved := byNode[there]
	switch {
	case len(moved) == len(all) && (len(all) > 1 || len(own) > 1):
		k.fault(Fault{Kind: WrongNode, Channel: name, Node: node, At: there, Text: fmt.Sprintf("%s feeds %s, not %s", name, there, node), Evidence: evidence, Remedy: fmt.Sprintf("move the leads of %s to %s", name, node)})
	case len(moved) < len(all):
		for _, w := range all {
			if math.Abs(t.follow(w)) < ignores {
				evidence += fmt.Sprintf("; %s at %s reads %s", w, there, volts(t.seen[w].volts))
			}
		}
		k.misplaced(t, moved[0], own, evidence)
	default:
		k.fault(Fault{Kind: WrongNode, Channel: name, Other: moved[0].String(), Node: node, At: there, Text: fmt.Sprintf("%s feeds %s, or %s reads %s: one of them is at the wrong node", name, there, moved[0], node),
			Evidence: evidence + "; nothing else reads either node", Remedy: "follow both pairs of leads"})
	}
}

// misplaced is a meter that reads this node though it is meant for another one, whose other channels stay still.
func (k *checker) misplaced(t *trial, w *probe, own []*probe, evidence string) {
	node := t.probe.wire.Node
	if len(own) == 1 && own[0].plain() && w.plain() {
		k.fault(Fault{Kind: Swapped, Channel: own[0].String(), Other: w.String(), Node: node, At: w.wire.Node, Text: fmt.Sprintf("%s and %s are swapped", own[0], w), Evidence: evidence, Remedy: "exchange their leads"})
		return
	}
	k.fault(Fault{Kind: WrongNode, Channel: w.String(), Node: w.wire.Node, At: node, Text: fmt.Sprintf("%s is at %s, not at %s", w, node, w.wire.Node), Evidence: evidence, Remedy: "move its leads to " + w.wire.Node})
}

// apart is a source whose voltage arrives nowhere.
func (k *checker) apart(t *trial, own []*probe, evidence string) {
	name, node := t.probe.String(), t.probe.wire.Node
	line := k.ammeters(node)
	flows := math.Abs(t.leak) > 0.2*leastLeak
	if !math.IsNaN(t.leak) {
		evidence += fmt.Sprintf("; %s shows %s", line[0], amps(t.leak))
	}
	remedy := k.lookAtLeads(node)
	switch {
	case len(own) == 1 && flows:
		k.fault(Fault{Kind: NotConnected, Channel: own[0].String(), Node: node, Text: fmt.Sprintf("%s does not see %s", own[0], node), Evidence: evidence + ", so something is fed", Remedy: "look at its leads and its input terminals"})
	case len(own) > 1 || !math.IsNaN(t.leak):
		k.fault(Fault{Kind: OpenLead, Channel: name, Node: node, Conduct: "one of both", Text: fmt.Sprintf("the voltage of %s does not arrive at %s: a lead is open", name, node), Evidence: evidence, Remedy: remedy})
	default:
		k.fault(Fault{Kind: Unclear, Channel: name, Other: own[0].String(), Node: node, Text: fmt.Sprintf("%s does not see the voltage of %s: a lead of one of them is open", own[0], name), Evidence: evidence + "; nothing else reads this node", Remedy: remedy + "; then at the leads of " + own[0].String()})
	}
}

// swaps finds pairs of sources that feed each other's nodes.
func (k *checker) swaps() map[*trial]bool {
	out := map[*trial]bool{}
	for i, a := range k.trials {
		for _, b := range k.trials[i+1:] {
			if a.dead || b.dead || out[a] || out[b] || !k.feeds(a, b.probe.wire.Node) || !k.feeds(b, a.probe.wire.Node) || k.feeds(a, a.probe.wire.Node) || k.feeds(b, b.probe.wire.Node) {
				continue
			}
			out[a], out[b] = true, true
			ga, gb := k.gauge(a.probe.wire.Node), k.gauge(b.probe.wire.Node)
			f := Fault{Kind: Swapped, Channel: a.probe.String(), Other: b.probe.String(), Node: a.probe.wire.Node, At: b.probe.wire.Node, Text: fmt.Sprintf("%s and %s are swapped", a.probe, b.probe),
				Evidence: fmt.Sprintf("with %s at %s, %s reads %s and %s reads %s; with %s at %s, %s and %s", a.probe, volts(a.at), ga, volts(a.seen[ga].volts), gb, volts(a.seen[gb].volts),
					b.probe, volts(b.at), volts(b.seen[ga].volts), volts(b.seen[gb].volts)), Remedy: "exchange their leads"}
			if len(k.witnesses(a.probe.wire.Node)) == 1 && len(k.witnesses(b.probe.wire.Node)) == 1 {
				f.Remedy += fmt.Sprintf("; should it be %s and %s that are exchanged, the readings would be the same", ga, gb)
			}
			k.fault(f)
		}
	}
	return out
}

// feeds tells whether every channel that reads a node goes along with a source.
func (k *checker) feeds(t *trial, node string) bool {
	all := k.witnesses(node)
	for _, w := range all {
		if !(t.follow(w) > 0.9) {
			return false
		}
	}
	return len(all) > 0
}

// stillDead says which nodes no source has reached: what is wired there stays unchecked.
func (k *checker) stillDead() {
	fed := map[string]bool{}
	for _, s := range k.sources() {
		fed[s.wire.Node] = true
	}
	var nodes []string
	at := map[string][]string{}
	for _, p := range k.probes {
		node := p.wire.Node
		if at[node] == nil {
			nodes = append(nodes, node)
		}
		at[node] = append(at[node], p.String())
		for _, t := range k.trials {
			fed[node] = fed[node] || p.volts != nil && math.Abs(t.follow(p)) > ignores
		}
	}
	for _, node := range nodes {
		if !fed[node] {
			k.notTold("%s stays without voltage at this level: %s were not checked there; with a link from a fed node to %s in the place of the device they can be", node, join(at[node]), node)
		}
	}
}
