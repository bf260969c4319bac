package config

import (
	"encoding/base64"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/handshake"
)

// OPCUAServer is how the OPC UA server of a controller is reached. Text that is
// empty is not configured.
type OPCUAServer struct {
	Policy          string        `cfg:"policy" one_of:"None,Basic256Sha256,Aes128_Sha256_RsaOaep,Aes256_Sha256_RsaPss" default:"Basic256Sha256" doc:"security policy; exactly this one is taken, nothing weaker; None protects nothing and needs plain: true"`
	Mode            string        `cfg:"mode" one_of:"None,Sign,SignAndEncrypt" default:"SignAndEncrypt" doc:"what the policy is used for; None goes with policy None and with no other"`
	Certificates    string        `cfg:"certificates" default:"pki" path:"true" doc:"folder of certificates: own/ is the gateway's, trusted/ those of servers that were accepted"`
	ServerName      string        `cfg:"server_name" default:"" doc:"host in the server's certificate; empty for the host of the address"`
	Namespace       string        `cfg:"namespace" default:"urn:lapgate:line" doc:"URI of the namespace of the nodes"`
	User            string        `cfg:"user" default:"" doc:"user name to log in with; empty for none"`
	Password        string        `cfg:"password" default:"" secret:"true" path:"true" doc:"where its password is read at the start: file:PATH, a file that only its owner may touch, or env:NAME; never the password itself"`
	UserCertificate string        `cfg:"user_certificate" default:"" path:"true" doc:"file of a certificate to log in with instead of a name, PEM or DER; empty for none"`
	UserKey         string        `cfg:"user_key" default:"" path:"true" doc:"file of its RSA key, which only its owner may touch"`
	SkewLimit       time.Duration `cfg:"skew_limit" unit:"time" default:"5 s" range:"0.1 s..1 h" doc:"difference between the clocks of server and gateway that is warned of"`
	Nodes           OPCUANodes    `cfg:"nodes"`
}

// OPCUANodes are the identifiers of the nodes of the blocks: plain text for a
// string, or i=, g= or b= before a number, a GUID or base64. An empty one
// stands for the name of the line, a dot and the name of the block.
type OPCUANodes struct {
	Request   string `cfg:"request" default:"" doc:"identifier of the node of REQ: text, or i=, g= or b= and a number, GUID or base64; empty for the line's name and .Request, and so on"`
	Outcomes  string `cfg:"outcomes" default:"" doc:"those of OUT, with one * where the digits 00 to 63 of the entry stand; empty for .Outcome.* after the line's name"`
	Heartbeat string `cfg:"heartbeat" default:"" doc:"that of HEARTBEAT"`
	Hello     string `cfg:"hello" default:"" doc:"that of HELLO"`
	Payload   string `cfg:"payload" default:"" doc:"that of PAYLOAD"`
	Commit    string `cfg:"commit" default:"" doc:"that of COMMIT"`
	Ack       string `cfg:"ack" default:"" doc:"that of ACK"`
	Limits    string `cfg:"limits" default:"" doc:"that of LIMITS, read only where the controller says that it publishes it"`
}

// The words of policy and mode that protect nothing, and the mark of an entry.
const (
	noSecurity = "None"
	entryMark  = "*"
)

// opcuaNode is one configured identifier, with its key and the name of its block
// in identifiers.
type opcuaNode struct{ key, text, name string }

func (n *OPCUANodes) all() [8]opcuaNode {
	return [...]opcuaNode{
		{"request", n.Request, "Request"}, {"outcomes", n.Outcomes, "Outcome." + entryMark},
		{"heartbeat", n.Heartbeat, "Heartbeat"}, {"hello", n.Hello, "Hello"}, {"payload", n.Payload, "Payload"},
		{"commit", n.Commit, "Commit"}, {"ack", n.Ack, "Ack"}, {"limits", n.Limits, "Limits"},
	}
}

// checkOPCUA checks a controller that is spoken to over OPC UA. Registers and
// the Modbus unit do not matter to it.
func (d *decoder) checkOPCUA(c *Controller, at string) {
	if key := join(at, "address"); d.good(key) {
		d.checkEndpoint(key, c.Address)
	}
	key := func(k string) string { return join(at, "opcua."+k) }
	o := &c.OPCUA
	policy, mode, plain := key("policy"), key("mode"), join(at, "plain")
	if d.good(policy, mode) && (o.Policy == noSecurity) != (o.Mode == noSecurity) {
		want := "Sign or SignAndEncrypt with policy " + o.Policy
		if o.Policy == noSecurity {
			want = "None with policy None"
		}
		d.problem(d.given(mode, policy), mode, "mode does not go with the policy", quoted(o.Mode), want, "change mode or policy; the safe choice is SignAndEncrypt with Basic256Sha256")
	}
	if d.good(policy, plain) && o.Policy == noSecurity && !c.Plain {
		got := "false"
		if _, given := d.at[plain]; !given {
			got = "nothing"
		}
		d.problem(d.given(plain, policy), plain, "OPC UA without security not allowed", got, "true for policy None", "choose a policy; or write plain: true when nobody else reaches the network")
	}
	if name := key("server_name"); d.good(name) && strings.ContainsAny(o.ServerName, " /\\@") {
		d.problem(d.where(name), name, "not a host", quoted(o.ServerName), "a name or an IP address", "copy it from the server's certificate, without scheme and port")
	}
	d.checkUser(o, key)
	for _, n := range o.Nodes.all() {
		if k := key("nodes." + n.key); d.good(k) && n.text != "" {
			d.checkNode(k, n)
		}
	}
}

// checkEndpoint checks the address of an OPC UA server.
func (d *decoder) checkEndpoint(key, address string) {
	const want, remedy = "opc.tcp://host:port, as in opc.tcp://192.0.2.10:4840", "copy the endpoint's URL from the controller"
	fail := func(text, got string) { d.problem(d.where(key), key, text, got, want, remedy) }
	if strings.Contains(address, "@") {
		// What stands before the @ may be a password.
		d.problem(d.where(key), key, "login in the address", "an address with an @", want, "remove it; the user has keys of its own below opcua")
		return
	}
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Scheme != "opc.tcp" || u.Opaque != "":
		fail("not the URL of an OPC UA server", quoted(address))
	case u.Hostname() == "":
		fail("URL without a host", quoted(address))
	case u.Port() == "":
		fail("URL without a port", quoted(address))
	case u.RawQuery != "" || u.Fragment != "":
		fail("URL with more than host, port and path", quoted(address))
	default:
		d.hostPort(key, net.JoinHostPort(u.Hostname(), u.Port()), lowestPort(1))
	}
}

// checkUser checks that there is one kind of user at most, and that no secret
// is written down.
func (d *decoder) checkUser(o *OPCUAServer, key func(string) string) {
	user, password, certificate, userKey := key("user"), key("password"), key("user_certificate"), key("user_key")
	if d.good(user, certificate) && o.User != "" && o.UserCertificate != "" {
		d.problem(d.where(certificate), certificate, "two kinds of user", quoted(o.UserCertificate)+" beside user "+quoted(o.User), "user and password, or user_certificate and user_key", "remove one of the two")
	}
	if d.good(password) && o.Password != "" && !secretSource(o.Password) {
		d.problem(d.where(password), password, "not a place to read a password from", hidden, "file:PATH or env:NAME", "put the password into a file that only its owner may read, name it as file:PATH, and have the password changed if it stood here")
	}
	if d.good(user, password) && o.Password != "" && o.User == "" {
		d.problem(d.where(password), password, "password without a user", "no user", "the user of the password", "add user, or remove password")
	}
	for _, half := range [...]struct{ key, text, other, otherKey, otherText string }{
		{certificate, o.UserCertificate, "user_key", userKey, o.UserKey},
		{userKey, o.UserKey, "user_certificate", certificate, o.UserCertificate},
	} {
		if d.good(half.key, half.otherKey) && half.text != "" && half.otherText == "" {
			d.problem(d.where(half.key), half.key, "half of a user certificate", "no "+half.other, "certificate and key", "add "+half.other+", the file that belongs to it")
		}
	}
}

// checkNode checks one configured identifier.
func (d *decoder) checkNode(key string, n opcuaNode) {
	text := n.text
	if n.key == "outcomes" {
		if strings.Count(text, entryMark) != 1 {
			d.problem(d.where(key), key, "identifier of the entries without one "+entryMark, quoted(text), "one "+entryMark+" where the digits 00 to 63 stand, as in Line1.Outcome."+entryMark, "put one "+entryMark+" there")
			return
		}
		text = strings.Replace(text, entryMark, strconv.Itoa(handshake.OutEntries-1), 1)
	}
	const remedy = "copy the identifier from the controller's address space"
	fail := func(want, remedy string) {
		d.problem(d.where(key), key, "not an identifier of a node", quoted(n.text), want, remedy)
	}
	kind, rest, typed := strings.Cut(text, "=")
	switch {
	case strings.HasPrefix(text, "ns=") || strings.HasPrefix(text, "nsu="):
		fail("the identifier without its namespace", "remove the part up to the semicolon; the namespace is configured by its URI")
	case !typed || len(kind) != 1:
	case kind == "s" && rest == "":
		fail("text after s=", remedy)
	case kind == "i":
		if _, err := strconv.ParseUint(rest, 10, 32); err != nil {
			fail("a number up to 4294967295 after i=", remedy)
		}
	case kind == "g" && !guid(rest):
		fail("a GUID after g=, as in g=72962B91-FA75-4AE6-8D28-B404DC7DAF63", remedy)
	case kind == "b":
		if b, err := base64.StdEncoding.DecodeString(rest); err != nil || len(b) == 0 {
			fail("base64 after b=", remedy)
		}
	}
}

// guid tells whether text has the form of a GUID.
func guid(text string) bool {
	groups := strings.Split(text, "-")
	if len(groups) != 5 {
		return false
	}
	for i, length := range [...]int{8, 4, 4, 4, 12} {
		if g := groups[i]; len(g) != length || strings.Trim(g, "0123456789abcdefABCDEF") != "" {
			return false
		}
	}
	return true
}

// oneWriter reports two blocks of OPC UA servers that would share a node, of
// one line or of two.
func (d *decoder) oneWriter(doc *document) {
	var all []named
	for i := range doc.Lines {
		l := &doc.Lines[i]
		at := "lines." + strconv.Itoa(i)
		c := &l.Controller
		if c.Protocol != OPCUA || c.Address == "" || !d.good(at+".controller.address", at+".controller.opcua.namespace", at+".name") {
			continue
		}
		for _, n := range c.OPCUA.Nodes.all() {
			id := strings.TrimPrefix(n.text, "s=")
			if id == "" {
				id = l.Name + "." + n.name
			}
			all = append(all, named{at + ".controller.opcua.nodes." + n.key, id + " of " + c.OPCUA.Namespace + " at " + c.Address})
		}
	}
	d.unique(all, "node")
}
