package wire

import (
	"encoding/hex"
	"strings"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
)

// MessageID is the webhook-id of a delivery.
func MessageID(delivery uuid.UUID) string { return "msg_" + hex.EncodeToString(delivery[:]) }

// WebhookType is the type of a message: of a change by its event, otherwise of a test.
func WebhookType(change bool, event int32) string {
	if !change {
		return "endpoint.test"
	}
	return "warning." + strings.ToLower(creepagev1.WarningChange_Event(event).String())
}
