package pipeline

import "regexp"

// PlayerForm is what a player's short code looks like: "b07", never a name.
var PlayerForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)
