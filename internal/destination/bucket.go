package destination

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// partBytes is what a file goes up in. One part is held in memory at a time; with
// the 10,000 parts that the protocol allows a file may have 156 GiB.
const partBytes = 16 << 20

// bucketPlace keeps files in a bucket of a store that speaks the S3 protocol. An
// upload has its name when it is complete, and none before, so nothing need be
// renamed.
type bucketPlace struct {
	client         *minio.Client
	bucket, prefix string
}

func openBucket(s *settings) (*bucketPlace, error) {
	u, err := url.Parse(s.Endpoint)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || strings.Trim(u.Path, "/") != "" || u.User != nil || u.RawQuery != "" {
		return nil, fmt.Errorf("endpoint: want an address such as https://objects.example.com")
	}
	if u.Scheme == "http" && !s.Insecure {
		return nil, errors.New(`endpoint: http sends files in the clear; want https, or "insecure": true where the network is your own`)
	}
	if s.Prefix != "" {
		if err := CheckFolder(s.Prefix); err != nil {
			return nil, fmt.Errorf("prefix: %w", err)
		}
	}
	secret, err := s.secretOf()
	if err != nil {
		return nil, err
	}
	if s.AccessKey == "" || secret == "" {
		return nil, errors.New("access_key and secret_key (or secret_key_file) are needed")
	}
	transport, err := minio.DefaultTransport(u.Scheme == "https")
	if err != nil {
		return nil, err
	}
	transport.ResponseHeaderTimeout = time.Minute
	if s.CAFile != "" {
		if transport.TLSClientConfig, err = trusting(s.CAFile); err != nil {
			return nil, err
		}
	}
	client, err := minio.New(u.Host, &minio.Options{Creds: credentials.NewStaticV4(s.AccessKey, secret, ""), Secure: u.Scheme == "https", Region: s.Region, Transport: transport})
	if err != nil {
		return nil, err
	}
	return &bucketPlace{client: client, bucket: s.Bucket, prefix: s.Prefix}, nil
}

// trusting is TLS that trusts the authorities of a file alone.
func trusting(file string) (*tls.Config, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("ca_file %s: holds no certificate in PEM", file)
	}
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}, nil
}

func (p *bucketPlace) key(name string) string { return path.Join(p.prefix, name) }

// Put uploads a file as it is written. What an earlier attempt has left
// unfinished takes room without having a name; it is removed.
func (p *bucketPlace) Put(ctx context.Context, to, _, _ string, write func(io.Writer) error, sure func() error) error {
	key := p.key(to)
	if err := p.client.RemoveIncompleteUpload(ctx, p.bucket, key); err != nil && !isMissing(err) {
		return fmt.Errorf("remove an unfinished upload: %w", plainly(err))
	}
	r, w := io.Pipe()
	written := make(chan error, 1)
	go func() {
		err := write(w)
		if err == nil {
			err = sure()
		}
		w.CloseWithError(err) // nil is the end of the file
		written <- err
	}()
	_, err := p.client.PutObject(ctx, p.bucket, key, r, -1, minio.PutObjectOptions{PartSize: partBytes})
	r.CloseWithError(errEnded)
	if wrong := <-written; wrong != nil && !errors.Is(wrong, errEnded) {
		return wrong // which the upload's error only repeats
	}
	return plainly(err)
}

var errEnded = errors.New("the upload has ended")

// plainly is a store's error without the name of the key that was refused.
func plainly(err error) error {
	var answered minio.ErrorResponse
	if errors.As(err, &answered) {
		return fmt.Errorf("the store answered %s (%d): %s", answered.Code, answered.StatusCode, answered.Message)
	}
	return err
}

func isMissing(err error) bool {
	var answered minio.ErrorResponse
	return errors.As(err, &answered) && (answered.StatusCode == http.StatusNotFound || answered.Code == minio.NoSuchKey || answered.Code == minio.NoSuchUpload)
}

type bucketFile struct {
	*minio.Object
	size int64
}

func (f *bucketFile) Size() int64 { return f.size }

func (p *bucketPlace) Open(ctx context.Context, from string) (File, error) {
	o, err := p.client.GetObject(ctx, p.bucket, p.key(from), minio.GetObjectOptions{})
	if err != nil {
		return nil, plainly(err)
	}
	info, err := o.Stat()
	if err != nil {
		_ = o.Close() // it was never opened
		if isMissing(err) {
			return nil, ErrMissing
		}
		return nil, plainly(err)
	}
	return &bucketFile{Object: o, size: info.Size}, nil
}
