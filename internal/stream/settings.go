// Package stream is the JetStream side of creepage: the names and settings of
// its streams, the publisher that packs concurrent callers' entries into one
// message per partition, the consumer the workers share, and the quarantine.
//
// An entry is acknowledged to its sender only when JetStream has it on disk:
// the servers run with sync_interval always, and a cluster with three replicas.
package stream

import (
	"fmt"
	"hash/fnv"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Names on JetStream.
const (
	readingsStream    = "READINGS"
	readingsSubject   = "creepage.readings." // + partition
	quarantineStream  = "QUARANTINE"
	quarantineSubject = "creepage.quarantine." // + partition of the message set aside
	workerConsumer    = "worker"
)

// Settings are what an operator chooses; the zero value is one node's.
type Settings struct {
	// Replicas of each stream; 0 means 1. A cluster uses 3.
	Replicas int
	// Partitions into which vehicles are divided; 0 means 4. Every partition
	// costs one sync at a time, so one node wants few.
	Partitions int
	// MaxBytes is what the readings may occupy before new ones are refused;
	// 0 means 8 GiB.
	MaxBytes int64
	// QuarantineMaxBytes is the same for the quarantine; 0 means 1 GiB.
	QuarantineMaxBytes int64
}

func (s Settings) withDefaults() Settings {
	if s.Replicas == 0 {
		s.Replicas = 1
	}
	if s.Partitions == 0 {
		s.Partitions = 4
	}
	if s.MaxBytes == 0 {
		s.MaxBytes = 8 << 30
	}
	if s.QuarantineMaxBytes == 0 {
		s.QuarantineMaxBytes = 1 << 30
	}
	return s
}

const (
	// maxMessageBytes bounds one message: half the 1 MiB a NATS server takes by
	// default, and more than the 500 readings at which packing stops to pay.
	maxMessageBytes = 512 << 10
	// maxQueuedBytes bounds what callers may have waiting per partition before
	// Submit makes them wait.
	maxQueuedBytes = 16 << 20
	// duplicatesWindow is how long JetStream remembers message ids: longer than
	// the publisher ever retries.
	duplicatesWindow = 2 * time.Minute

	// publishTimeout is for one attempt, publishDeadline for all attempts at
	// one message: a cluster whose leader was killed takes 6 s to elect another.
	publishTimeout  = 2 * time.Second
	publishDeadline = 10 * time.Second
	firstRetry      = 25 * time.Millisecond
	lastRetry       = 500 * time.Millisecond

	// ackWait is after how long an unacknowledged message goes to another
	// worker: several times the longest transaction.
	ackWait = 60 * time.Second
	// maxAckPending bounds messages in work at all workers together.
	maxAckPending = 2000
	// pullMaxBytes bounds what one worker holds ahead of its transaction.
	pullMaxBytes = 8 << 20

	setUpDeadline = 30 * time.Second
	setUpAttempt  = 2 * time.Second
)

func readingsConfig(s Settings) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        readingsStream,
		Description: "accepted readings and codes on their way to the database",
		Subjects:    []string{readingsSubject + "*"},
		Storage:     jetstream.FileStorage,
		Replicas:    s.Replicas,
		// Limits retention is half as fast again as a work queue; Trim frees
		// what has been committed. There is no age limit, for it would drop
		// acknowledged readings that no worker has taken yet.
		Retention:  jetstream.LimitsPolicy,
		Discard:    jetstream.DiscardNew, // full: refuse new readings, keep old ones
		MaxBytes:   s.MaxBytes,
		MaxAge:     0,
		MaxMsgSize: maxMessageBytes + 1024,
		Duplicates: duplicatesWindow,
		DenyDelete: true,
	}
}

func quarantineConfig(s Settings) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        quarantineStream,
		Description: "messages that could not be processed, with the reason",
		Subjects:    []string{quarantineSubject + ">"},
		Storage:     jetstream.FileStorage,
		Replicas:    s.Replicas,
		Retention:   jetstream.LimitsPolicy,
		Discard:     jetstream.DiscardNew,
		MaxBytes:    s.QuarantineMaxBytes,
		Duplicates:  duplicatesWindow,
	}
}

func consumerConfig() jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable:       workerConsumer,
		Description:   "all workers together",
		DeliverPolicy: jetstream.DeliverAllPolicy,
		AckPolicy:     jetstream.AckExplicitPolicy,
		AckWait:       ackWait,
		MaxAckPending: maxAckPending,
		// A message is given up by the worker, which knows why, never by the
		// server: -1 is without limit.
		MaxDeliver:    -1,
		FilterSubject: readingsSubject + "*",
	}
}

// partitionOf divides vehicles evenly and for ever alike.
func partitionOf(organisation []byte, vehicle string, partitions int) int {
	h := fnv.New32a()
	h.Write(organisation)
	h.Write([]byte(vehicle))
	return int(h.Sum32() % uint32(partitions))
}

func subjectOf(partition int) string { return fmt.Sprintf("%s%d", readingsSubject, partition) }
