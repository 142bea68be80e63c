package report

import (
	"fmt"

	"fourwire/quantity"
	"fourwire/record"
)

// railFacts are the facts of groups of rails, and what took one down.
func railFacts(list []record.Rails) (facts []Fact, notices []Notice) {
	for _, r := range list {
		facts = append(facts, Fact{"Rails " + r.Name, r.Text() + " (by readings and the computer's clock)"})
		if k := r.Fault; k != nil {
			verdict := "as allowed"
			if !k.Within {
				verdict = "too slow"
			}
			notices = append(notices, Notice{true, fmt.Sprintf("All rails of %s were off %s after the last look at which all was well; %s is allowed: %s.", r.Name,
				Pretty(quantity.Of(k.OffAfterSeconds, quantity.Time).Text(3)), Pretty(quantity.Of(r.AllOffSeconds, quantity.Time).Text(3)), verdict)})
		}
	}
	return facts, notices
}
