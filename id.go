package dewline

import "strings"

// SystemID is a system's full id, "<site>/<system>": one refrigerant circuit with its sensors.
type SystemID string

// NewSystemID joins a site's and a system's id.
func NewSystemID(site, system string) SystemID { return SystemID(site + "/" + system) }

// Site returns the part before the slash.
func (id SystemID) Site() string {
	site, _, _ := strings.Cut(string(id), "/")
	return site
}

// System returns the part after the slash.
func (id SystemID) System() string {
	_, system, _ := strings.Cut(string(id), "/")
	return system
}

// Valid says whether both parts are valid ids.
func (id SystemID) Valid() bool {
	site, system, ok := strings.Cut(string(id), "/")
	return ok && ValidID(site) && ValidID(system)
}

// ValidID says whether text matches [a-z0-9][a-z0-9-]{0,62}, which the contract asks of the ids
// that become levels of a topic.
func ValidID[T string | []byte](text T) bool {
	if len(text) == 0 || len(text) > 63 || text[0] == '-' {
		return false
	}
	for i := range len(text) {
		c := text[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
