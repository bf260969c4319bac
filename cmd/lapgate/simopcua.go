package main

import (
	"github.com/spf13/cobra"

	"lapgate/sim/opcua"
)

// simOPCUAFlags are the flags of the simulator's OPC UA server.
type simOPCUAFlags struct {
	addr, users, userCertificates, trusted string
	plain                                  bool

	state string
	renew bool // also of Modbus with TLS
}

func (f *simOPCUAFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.addr, "opcua", "", "address of an OPC UA server beside it, as 127.0.0.1:0; port 0 picks a free one")
	fl.BoolVar(&f.plain, "opcua-plain", false, "let OPC UA clients in without security too")
	fl.StringVar(&f.users, "opcua-users", "", "file of name:password lines; without users anyone may write")
	addFolder(cmd, &f.userCertificates, "opcua-user-certificates", "", "folder of certificates that log in as users")
	addFolder(cmd, &f.state, "state", "sim-state", "folder in which the certificate of the OPC UA server is kept, which is made where there is none and where it has ended")
	fl.BoolVar(&f.renew, "renew", false, "make the certificates of the simulator anew: whoever trusted them has to trust them again")
	addFolder(cmd, &f.trusted, "opcua-trust", "", "folder of the certificates of OPC UA clients to trust (default all)")
}

// config is the server that the flags ask for, for the line of that name.
func (f *simOPCUAFlags) config(line string) (opcua.Config, error) {
	if f.addr == "" {
		if f.users != "" || f.userCertificates != "" || f.trusted != "" || f.plain {
			return opcua.Config{}, usageError("the flags of the OPC UA server need --opcua ADDRESS")
		}
		return opcua.Config{}, nil
	}
	c := opcua.Config{
		State: f.state, Renew: f.renew,
		Addr: f.addr, Line: line, Plain: f.plain, Trusted: f.trusted, UserCertificates: f.userCertificates,
		Anonymous: f.users == "" && f.userCertificates == "",
	}
	if f.users == "" {
		return c, nil
	}
	var err error
	c.Users, err = opcua.ReadUsers(f.users)
	return c, err
}
