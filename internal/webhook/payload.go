package webhook

import (
	"encoding/json"
	"fmt"
	"time"
)

// Payload is a body as the Standard Webhooks specification recommends it: the
// type, when the event happened, and its data in JSON. It is compact, and the
// same for the same arguments.
func Payload(kind string, at time.Time, data []byte) ([]byte, error) {
	body, err := json.Marshal(struct {
		Type      string          `json:"type"`
		Timestamp string          `json:"timestamp"`
		Data      json.RawMessage `json:"data"`
	}{kind, at.UTC().Format(time.RFC3339Nano), data})
	if err != nil {
		return nil, fmt.Errorf("encode a payload: %w", err)
	}
	return body, nil
}
