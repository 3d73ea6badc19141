package wire

import (
	"fmt"
	"strings"

	"creepage/internal/insulation"
)

// Collection is the first part of a resource name, such as "vehicles".
type Collection string

// Collections.
const (
	Shops     Collection = "shops"
	Vehicles  Collection = "vehicles"
	Platforms Collection = "platforms"
	Meters    Collection = "meters"
	Keys      Collection = "keys"
	Warnings  Collection = "warnings"

	WebhookEndpoints Collection = "webhookEndpoints"
	Digests          Collection = "digests"
	ParameterSets    Collection = "parameterSets"

	Reports            Collection = "reports"
	ReportSchedules    Collection = "reportSchedules"
	ReportDestinations Collection = "reportDestinations"
)

// MaxIDLength is the length of the longest id in a resource name, in bytes.
const MaxIDLength = 64

// Name returns the resource name of an id, "" for no id.
func (c Collection) Name(id string) string {
	if id == "" {
		return ""
	}
	return string(c) + "/" + id
}

// ID returns the id of a resource name of this collection.
func (c Collection) ID(name string) (string, error) {
	id, ok := strings.CutPrefix(name, string(c)+"/")
	if !ok {
		return "", fmt.Errorf("%q is not a resource name of the form %s/{id}; %s", name, c, idWords)
	}
	if err := CheckID(id); err != nil {
		return "", fmt.Errorf("%q: %w", name, err)
	}
	return id, nil
}

// idWords are what an id may be.
const idWords = "an id is 1 to 64 lower case letters, digits, '-', '_' and '.'"

// CheckID says what is wrong with an id, nil if nothing is: 1 to 64 lower case
// letters, digits, `-`, `_` and `.`, and not dots alone.
func CheckID(id string) error {
	if id == "" || len(id) > MaxIDLength {
		return fmt.Errorf("the id has %d characters; allowed are 1 to %d", len(id), MaxIDLength)
	}
	for i := range len(id) {
		if c := id[i]; !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-' || c == '_' || c == '.') {
			return fmt.Errorf("the id %q contains %q; allowed are lower case letters, digits, '-', '_' and '.'", id, c)
		}
	}
	if insulation.DotsAlone(id) {
		return fmt.Errorf("the id %q is what an address takes for a folder; allowed are lower case letters, digits, '-', '_' and '.', not dots alone", id)
	}
	return nil
}

// name reads a resource name: "" when it is left out.
func (r *reader) name(field string, c Collection, name string) string {
	if name == "" {
		return ""
	}
	id, err := c.ID(name)
	if err != nil {
		r.fail(field, "%v", err)
	}
	return id
}

// requiredName reads a resource name that must be there.
func (r *reader) requiredName(field string, c Collection, name string) string {
	if name == "" {
		r.fail(field, "is missing; a resource name of the form %s/{id} is needed; %s", c, idWords)
	}
	return r.name(field, c, name)
}
