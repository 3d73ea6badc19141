package client

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Download opens a file of the service. A refusal is an error as that of Call,
// and tried again where waiting helps. What is read ends in an error where the
// transfer broke off; io.EOF means that the file is whole.
func (c *Client) Download(ctx context.Context, p Patience, path string) (*http.Response, error) {
	return c.DownloadFrom(ctx, p, path, 0, "")
}

// DownloadFrom is Download of the rest of a file that was begun, from a byte on,
// where the file is the one of the ETag still: then the answer is 206 Partial
// Content. Otherwise it is 200 and the whole file (RFC 9110 section 13.1.5).
func (c *Client) DownloadFrom(ctx context.Context, p Patience, path string, offset int64, etag string) (*http.Response, error) {
	var resp *http.Response
	err := p.Try(ctx, func() (err error) {
		resp, err = c.open(ctx, path, offset, etag)
		return err
	})
	if err != nil {
		return nil, err
	}
	resp.Body = &whole{ReadCloser: resp.Body}
	return resp, nil
}

func (c *Client) open(ctx context.Context, path string, offset int64, etag string) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+path, nil)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Authorization", "Bearer "+c.key)
	if offset > 0 {
		req.Header.Set("Range", fmt.Sprintf("bytes=%d-", offset))
		req.Header.Set("If-Range", etag)
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, c.unreached(ctx, err)
	}
	if resp.StatusCode/100 == 2 {
		return resp, nil
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil {
		return nil, c.unreached(ctx, err)
	}
	return nil, refusal(resp, answer)
}

// whole names what broke off.
type whole struct {
	io.ReadCloser

	read int64
}

func (w *whole) Read(b []byte) (int, error) {
	n, err := w.ReadCloser.Read(b)
	w.read += int64(n)
	if err != nil && !errors.Is(err, io.EOF) {
		err = status.Error(codes.Unavailable, fmt.Sprintf("the file broke off after %d bytes: %v", w.read, err))
	}
	return n, err
}
