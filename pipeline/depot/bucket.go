package depot

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/aws/ratelimit"
	"github.com/aws/aws-sdk-go-v2/aws/retry"
	awshttp "github.com/aws/aws-sdk-go-v2/aws/transport/http"
	"github.com/aws/aws-sdk-go-v2/config"
	"github.com/aws/aws-sdk-go-v2/credentials/ec2rolecreds"
	"github.com/aws/aws-sdk-go-v2/feature/ec2/imds"
	"github.com/aws/aws-sdk-go-v2/feature/s3/transfermanager"
	tmtypes "github.com/aws/aws-sdk-go-v2/feature/s3/transfermanager/types"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	"github.com/aws/aws-sdk-go-v2/service/s3/types"
	"github.com/aws/smithy-go/logging"
	gcaws "gocloud.dev/aws"
	"gocloud.dev/blob"
	"gocloud.dev/blob/s3blob"

	"tapeline/pipeline"
)

const (
	// partSize is what is sent at once, bytes; larger files go in parts of it.
	partSize    = 16 << 20
	partsAtOnce = 2
	// stall ends a connection on which nothing moves.
	stall = 2 * time.Minute
)

// Open opens a store of files: file:///folder, or s3://bucket with region=,
// endpoint= (other than Amazon's), prefix=, profile=, use_path_style=,
// disable_https= and what else gocloud.dev/aws reads behind the ?. Credentials
// come from where the SDK looks for them. No connection is made yet.
func Open(ctx context.Context, address string) (*Depot, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, What: "clips: is no address", Hint: "write it like file:///folder or s3://bucket?region=…"}
	}
	var d *Depot
	switch u.Scheme {
	case "file":
		d, err = openFolder(u)
	case "s3":
		d, err = openBucket(ctx, u)
	default:
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, What: "clips: is neither a folder nor a bucket", Hint: "write it like file:///folder or s3://bucket?region=…"}
	}
	if err != nil {
		return nil, err
	}
	d.partSize, d.tries, d.pause = partSize, 4, 500*time.Millisecond
	return d, nil
}

func openBucket(ctx context.Context, u *url.URL) (*Depot, error) {
	refuse := func(what string) error {
		return &pipeline.Error{Fault: pipeline.FaultUsage, What: "clips: " + what, Hint: "write it like s3://bucket?region=…&endpoint=…&prefix=…"}
	}
	q := u.Query()
	take := func(key string) string {
		v := q.Get(key)
		q.Del(key)
		return v
	}
	prefix, endpoint, style, clear := strings.Trim(take("prefix"), "/"), take("endpoint"), take("use_path_style"), take("disable_https")
	switch {
	case u.User != nil:
		return nil, refuse("may not hold a key or a password")
	case u.Host == "" || strings.Trim(u.Path, "/") != "":
		return nil, refuse("names no bucket")
	case prefix != "" && checkKey(prefix) != nil:
		return nil, refuse("prefix is no folder in the bucket")
	}
	if prefix != "" {
		prefix += "/"
	}
	where := "s3://" + u.Host + "/" + prefix
	if endpoint != "" {
		e, err := url.Parse(endpoint)
		if err != nil || e.Host == "" || e.User != nil || e.Scheme != "http" && e.Scheme != "https" {
			return nil, refuse("endpoint is no address of a server")
		}
		where += " (" + e.Host + ")"
	}
	cfg, err := gcaws.V2ConfigFromURLParams(ctx, q)
	if err != nil {
		return nil, refuse("can't be understood: " + plain(err))
	}
	if !q.Has("role") && !q.Has("anonymous") {
		// The SDK writes to standard error while it looks for keys, unless told not
		// to; and where there are none it asks for the role of a cloud's machine, which
		// elsewhere nobody answers: once must do.
		role := imds.NewFromConfig(cfg, func(o *imds.Options) { o.Retryer, o.Logger = aws.NopRetryer{}, logging.Nop{} })
		quiet, err := config.LoadDefaultConfig(ctx, config.WithLogger(logging.Nop{}), config.WithRegion(cfg.Region), config.WithSharedConfigProfile(q.Get("profile")),
			config.WithEC2RoleCredentialOptions(func(o *ec2rolecreds.Options) { o.Client = role }))
		if err != nil {
			return nil, refuse("can't be understood: " + plain(err))
		}
		cfg.Credentials = keys{quiet.Credentials}
	}
	if cfg.Region == "" && endpoint != "" {
		cfg.Region = "us-east-1" // what servers that know no regions expect
	}
	if cfg.Region == "" {
		return nil, refuse("names no region")
	}
	client := s3.NewFromConfig(cfg, func(o *s3.Options) {
		if endpoint != "" {
			o.BaseEndpoint = aws.String(endpoint)
		}
		o.UsePathStyle = style == "true" || style == "" && endpoint != ""
		o.EndpointOptions.DisableHTTPS = clear == "true"
		o.HTTPClient = httpClient(cfg)
		o.Logger, o.ClientLogMode, o.DisableLogOutputChecksumValidationSkipped = logging.Nop{}, 0, true
		o.Retryer = retry.NewStandard(func(so *retry.StandardOptions) {
			so.MaxAttempts, so.MaxBackoff, so.RateLimiter = 4, 5*time.Second, ratelimit.None
			codes := map[string]struct{}{}
			for _, c := range damages {
				codes[c] = struct{}{}
			}
			delete(codes, "NoSuchUpload")
			delete(codes, "InvalidPart")
			so.Retryables = append(so.Retryables, retry.RetryableErrorCode{Codes: codes})
		})
	})
	b, err := s3blob.OpenBucket(ctx, client, u.Host, &s3blob.Options{RequestChecksumCalculation: cfg.RequestChecksumCalculation})
	if err != nil {
		return nil, refuse(plain(err))
	}
	if prefix != "" {
		b = blob.PrefixedBucket(b, prefix)
	}
	return &Depot{where: where, bucket: b, s3: client, name: u.Host, prefix: prefix,
		plainSums: cfg.RequestChecksumCalculation == aws.RequestChecksumCalculationWhenRequired}, nil
}

// keys says in one line that there are none.
type keys struct{ aws.CredentialsProvider }

var errNoKeys = errors.New("no keys for the store of files: set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or give this machine a role of its cloud")

func (k keys) Retrieve(ctx context.Context) (aws.Credentials, error) {
	c, err := k.CredentialsProvider.Retrieve(ctx)
	if err != nil && ctx.Err() == nil && strings.Contains(err.Error(), "IMDS") { // the last place the SDK looks in
		err = errNoKeys
	}
	return c, err
}

// httpClient is the SDK's, which knows AWS_CA_BUNDLE, with connections that end
// when nothing moves on them.
func httpClient(cfg aws.Config) aws.HTTPClient {
	c, ok := cfg.HTTPClient.(*awshttp.BuildableClient)
	if !ok {
		c = awshttp.NewBuildableClient()
	}
	return c.WithTransportOptions(func(t *http.Transport) {
		dial := t.DialContext
		t.DialContext = func(ctx context.Context, network, addr string) (net.Conn, error) {
			c, err := dial(ctx, network, addr)
			if err != nil {
				return nil, err
			}
			return moving{c}, nil
		}
	})
}

// moving is a connection whose every step must come within stall.
type moving struct{ net.Conn }

func (c moving) Read(p []byte) (int, error) {
	_ = c.SetReadDeadline(time.Now().Add(stall))
	return c.Conn.Read(p)
}

func (c moving) Write(p []byte) (int, error) {
	_ = c.SetWriteDeadline(time.Now().Add(stall))
	return c.Conn.Write(p)
}

// uploader sets how a file is sent: every part with its own checksum, which the
// server compares, and parts cleared away even where the sender was told to
// stop.
func (d *Depot) uploader(as func(any) bool) {
	var tm *transfermanager.Client
	var in *transfermanager.UploadObjectInput
	if !as(&tm) || !as(&in) {
		return
	}
	*tm = *transfermanager.New(d.s3, func(o *transfermanager.Options) {
		o.PartSizeBytes, o.MultipartUploadThreshold, o.Concurrency = d.partSize, d.partSize+1, partsAtOnce
		o.FailTimeout = 20 * time.Second
		if d.plainSums {
			o.RequestChecksumCalculation = aws.RequestChecksumCalculationWhenRequired
		}
	})
	if !d.plainSums {
		in.ChecksumAlgorithm = tmtypes.ChecksumAlgorithmSha256
	}
}

// open opens an object from an offset, the one of the tag if there is one.
func (d *Depot) open(ctx context.Context, key string, from int64, tag string) (*object, error) {
	if d.root != "" {
		return d.openPlain(ctx, key, from, tag)
	}
	r, err := d.bucket.NewRangeReader(ctx, key, from, -1, &blob.ReaderOptions{BeforeRead: func(as func(any) bool) error {
		var in *s3.GetObjectInput
		if tag != "" && as(&in) {
			in.IfMatch = aws.String(tag)
		}
		return nil
	}})
	if err != nil {
		return nil, err
	}
	o := &object{ReadCloser: r, size: r.Size()}
	var out s3.GetObjectOutput
	if r.As(&out) {
		o.sum, o.tag, o.version = out.Metadata[sumKey], aws.ToString(out.ETag), aws.ToString(out.VersionId)
	}
	return o, nil
}

// objects are those whose keys begin with a prefix.
func (d *Depot) objects(ctx context.Context, prefix string) (out []stored, err error) {
	if d.root != "" {
		return d.plainFiles(ctx, prefix)
	}
	it := d.bucket.List(&blob.ListOptions{Prefix: prefix})
	for {
		o, err := it.Next(ctx)
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		if o.IsDir || strings.HasSuffix(o.Key, "/") { // what consoles make of a folder
			continue
		}
		s := stored{key: o.Key, size: o.Size, modified: o.ModTime}
		var raw types.Object
		if o.As(&raw) {
			s.tag = aws.ToString(raw.ETag)
		}
		out = append(out, s)
	}
}

// version is one of an object, or the mark of its removal.
type version struct{ key, id string }

// versions are all there are below a prefix. A server that knows none has what
// it lists.
func (d *Depot) versions(ctx context.Context, prefix string) (out []version, err error) {
	p := s3.NewListObjectVersionsPaginator(d.s3, &s3.ListObjectVersionsInput{Bucket: &d.name, Prefix: aws.String(d.prefix + prefix)})
	for p.HasMorePages() {
		page, err := p.NextPage(ctx)
		if status(err) == http.StatusNotImplemented {
			all, err := d.objects(ctx, prefix)
			out = nil
			for _, o := range all {
				out = append(out, version{key: o.key})
			}
			return out, err
		}
		if err != nil {
			return nil, err
		}
		add := func(key, id *string) {
			out = append(out, version{strings.TrimPrefix(aws.ToString(key), d.prefix), aws.ToString(id)})
		}
		for _, v := range page.Versions {
			add(v.Key, v.VersionId)
		}
		for _, m := range page.DeleteMarkers {
			add(m.Key, m.VersionId)
		}
	}
	return out, nil
}

// drop removes one version for good.
func (d *Depot) drop(ctx context.Context, v version) error {
	in := &s3.DeleteObjectInput{Bucket: &d.name, Key: aws.String(d.prefix + v.key)}
	if v.id != "" {
		in.VersionId = &v.id
	}
	_, err := d.s3.DeleteObject(ctx, in)
	return err
}

func (d *Depot) purge(ctx context.Context, key string) error {
	for range 3 { // somebody may be storing
		all, err := d.versions(ctx, key)
		if err != nil {
			return err
		}
		listsFirst(all, func(v version) string { return v.key })
		n := 0
		for _, v := range all {
			if !below(v.key, key) && v.key != key+"/" {
				continue
			}
			n++
			if err := d.drop(ctx, v); err != nil {
				return err
			}
		}
		if n == 0 {
			return d.abort(ctx, key, time.Now().AddDate(1, 0, 0))
		}
	}
	return errChanged
}

// abort clears away parts of uploads below a key that never ended and were begun
// before; an empty key is all.
func (d *Depot) abort(ctx context.Context, key string, before time.Time) error {
	p := s3.NewListMultipartUploadsPaginator(d.s3, &s3.ListMultipartUploadsInput{Bucket: &d.name, Prefix: aws.String(d.prefix + key)})
	for p.HasMorePages() {
		page, err := p.NextPage(ctx)
		if status(err) == http.StatusNotImplemented || code(err) == "NoSuchUpload" { // there was none ever
			return nil
		}
		if err != nil {
			return err
		}
		for _, u := range page.Uploads {
			if key != "" && !below(strings.TrimPrefix(aws.ToString(u.Key), d.prefix), key) || !aws.ToTime(u.Initiated).Before(before) {
				continue
			}
			_, err := d.s3.AbortMultipartUpload(ctx, &s3.AbortMultipartUploadInput{Bucket: &d.name, Key: u.Key, UploadId: u.UploadId})
			if err != nil && code(err) != "NoSuchUpload" {
				return err
			}
		}
	}
	return nil
}

// tidy clears away what was begun to be stored before and never ended.
func (d *Depot) tidy(ctx context.Context, before time.Time) error {
	return d.again(ctx, "remove", "", func() error {
		if d.root == "" {
			return d.abort(ctx, "", before)
		}
		all, err := d.plainFiles(ctx, "")
		for _, o := range all {
			if err == nil && strings.HasSuffix(o.key, unfinished) && o.modified.Before(before) && !below(o.key, Inbox) {
				err = d.clear(o.key, true)
			}
		}
		return err
	})
}

// Traces are the keys that begin with a prefix, in order, those of which only
// earlier versions are left among them.
func (d *Depot) Traces(ctx context.Context, prefix string) ([]string, error) {
	if d.root != "" {
		return d.Keys(ctx, prefix)
	}
	var keys []string
	err := d.again(ctx, "list", prefix, func() error {
		all, err := d.versions(ctx, prefix)
		keys = nil
		for _, v := range all {
			keys = append(keys, v.key)
		}
		return err
	})
	slices.Sort(keys)
	return slices.Compact(keys), err
}
