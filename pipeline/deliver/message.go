package deliver

import "tapeline/pipeline"

// Compose writes the message of a letter. The same letter and files give the
// same bytes.
func Compose(l Letter) (*Message, error) {
	return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: "mail", What: "no message yet"}
}
