package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fourwire/internal/diag"
)

// Site is a position for one device: its nodes have the same names as those of the other sites, and are others.
type Site struct {
	Name  string
	About string
	Place diag.Place
}

// Contact is a relay of a switch unit that joins a meter to a node. The zero value is none: the meter is wired to its node.
type Contact struct {
	Instrument string
	Channel    int
}

// String is the relay as the bench file writes it.
func (c Contact) String() string {
	if c.Channel <= 1 {
		return c.Instrument
	}
	return c.Instrument + "." + strconv.Itoa(c.Channel)
}

// View is a bench as the run of one site sees it.
type View struct {
	Site   string   // empty: a bench without sites
	Others []string // sites whose runs go on at the same time
	// Shared are the instruments that runs of other sites use at the same time, in the order in which they are taken.
	Shared []string
}

// Shares tells whether runs of other sites use an instrument at the same time.
func (b *Bench) Shares(instrument string) bool { return slices.Contains(b.View.Shared, instrument) }

// SiteNames lists the sites in the order of the file.
func (b *Bench) SiteNames() []string {
	names := make([]string, len(b.Sites))
	for i := range b.Sites {
		names[i] = b.Sites[i].Name
	}
	return names
}

// ForSite is the bench as one site sees it, while runs go on at all the sites of together, which has its own name, too: with its own wiring and what
// serves every site, and the instruments of that. What cannot be used by several sites at once is among the findings, with its place.
func (b *Bench) ForSite(site string, together []string, found *diag.Findings) *Bench {
	view := *b
	view.View = View{Site: site}
	users := map[string]int{}
	for _, one := range together {
		if one != site {
			view.View.Others = append(view.View.Others, one)
		}
		for name := range b.usedBy(one) {
			users[name]++
		}
	}
	view.Wiring, view.Instruments, view.Triggers = nil, nil, nil
	for _, w := range b.Wiring {
		if w.Site != "" && w.Site != site {
			continue
		}
		if w.Site == "" && len(together) > 1 && w.As != Voltmeter && w.As != Ammeter {
			found.AddHint(w.Place, "give it a site, or run one site at a time: --site "+site, "%s serves every site: it cannot be set for %s at the same time", w.channel(), strings.Join(together, " and "))
		}
		view.Wiring = append(view.Wiring, w)
	}
	used := b.usedBy(site)
	for _, in := range b.Instruments {
		if !used[in.Name] {
			continue
		}
		view.Instruments = append(view.Instruments, in)
		if users[in.Name] > 1 {
			view.View.Shared = append(view.View.Shared, in.Name)
		}
	}
	for _, t := range b.Triggers {
		if used[t.From] && !slices.ContainsFunc(t.To, func(name string) bool { return !used[name] }) {
			view.Triggers = append(view.Triggers, t)
		}
	}
	return &view
}

// usedBy are the instruments that the wiring of a site names.
func (b *Bench) usedBy(site string) map[string]bool {
	used := map[string]bool{}
	for _, w := range b.Wiring {
		if w.Site != "" && w.Site != site {
			continue
		}
		used[w.Instrument] = true
		if w.Through != (Contact{}) {
			used[w.Through.Instrument] = true
		}
	}
	return used
}

// channel is the channel of a wire as the file writes it.
func (w Wire) channel() string { return Contact{w.Instrument, w.Channel}.String() }

func siteShape() *diag.Shape {
	return &diag.Shape{Title: "a site", About: "A position for one device.", Fields: []diag.Field{
		{Name: "about", Type: diag.Text(), About: "where it is, for people"},
	}}
}

// sites reads which sites there are; before the wiring, which names them.
func (r *reader) sites(n *diag.Node) {
	if n == nil {
		return
	}
	for _, e := range n.Entries {
		if !nameForm.MatchString(e.Key) || e.Key == "all" {
			r.found.AddHint(e.Place, "letters, digits, - and _, with a letter first; all means every site", "%q cannot name a site", e.Key)
		}
		r.bench.Sites = append(r.bench.Sites, Site{Name: e.Key, About: text(e.Value.Get("about")), Place: e.Place})
	}
	if len(r.bench.Sites) == 0 {
		r.found.AddHint(n.Place, "leave sites out", "no site is named")
	}
}

// sited reads of a wire at which site it is, and through which relay it gets there.
func (r *reader) sited(w *Wire, n *diag.Node) {
	if s := n.Get("site"); s != nil {
		w.Site = s.Text
		if names := r.bench.SiteNames(); !slices.Contains(names, w.Site) {
			hint := diag.Suggest(w.Site, names)
			if len(names) == 0 {
				hint = "name the sites at the top level, as in sites: {east: {}, west: {}}"
			}
			r.found.AddHint(s.Place, hint, "there is no site %q", w.Site)
		}
	}
	t := n.Get("through")
	if t == nil {
		return
	}
	name, number, numbered := strings.Cut(t.Text, ".")
	w.Through = Contact{name, 1}
	if numbered {
		w.Through.Channel, _ = strconv.Atoi(number)
	}
	switch {
	case w.As != Voltmeter:
		r.found.AddHint(t.Place, "wire it to one node", "%s is reached through no relay here: only a voltmeter is, since the current of a node must not be broken", article(w.As))
	case r.bench.Find(name) == nil:
		var names []string
		for _, in := range r.bench.Instruments {
			names = append(names, in.Name)
		}
		r.found.AddHint(t.Place, diag.Suggest(name, names), "there is no instrument %q on this bench", name)
	case w.Through.Channel < 1 || w.Through.Channel > 999:
		r.found.AddHint(t.Place, "write the switch unit, or as in "+name+".2", "%q is no relay", t.Text)
	}
}

// contacts looks at relays between meters and nodes, and at sites, when all of the wiring is there.
func (r *reader) contacts() {
	b := r.bench
	first := map[Contact]int{}
	for i := range b.Wiring {
		w := &b.Wiring[i]
		if w.As == Switch {
			if k, ok := first[Contact{w.Instrument, w.Channel}]; ok {
				r.found.AddHint(w.Place, "take another relay", "%s joins %s to a node already (line %d)", w.channel(), b.Wiring[k].channel(), b.Wiring[k].Place.Line)
			}
		}
		if w.Through != (Contact{}) {
			if k, ok := first[w.Through]; ok {
				r.found.AddHint(w.Place, "every node has a relay of its own", "%s is taken already (line %d)", w.Through, b.Wiring[k].Place.Line)
				continue
			}
			for k := range b.Wiring {
				if o := b.Wiring[k]; o.As == Switch && (Contact{o.Instrument, o.Channel}) == w.Through && k < i {
					r.found.AddHint(w.Place, "take another relay", "%s is a switch of the fixture already (line %d)", w.Through, o.Place.Line)
				}
			}
			first[w.Through] = i
		}
	}
	for i := range b.Wiring {
		for k := range b.Wiring {
			if w, o := &b.Wiring[i], &b.Wiring[k]; i != k && w.Through != (Contact{}) && o.Through != (Contact{}) && w.channel() == o.channel() {
				w.Apart = append(w.Apart, o.Through)
			}
		}
	}
	common := map[string]Wire{}
	for _, w := range b.Wiring {
		if w.Site == "" {
			common[w.Node] = w
		}
	}
	for _, w := range b.Wiring {
		if o, ok := common[w.Node]; ok && w.Site != "" {
			r.found.AddHint(o.Place, "say at which site it is", "%s is each site's own (line %d), so that %s can be at one of them only", w.Node, w.Place.Line, o.channel())
			return
		}
	}
}

// at is a node of a site in words.
func (w Wire) at() string {
	if w.Site == "" {
		return w.Node
	}
	return fmt.Sprintf("%s of %s", w.Node, w.Site)
}
