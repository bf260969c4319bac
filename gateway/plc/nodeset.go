package plc

import (
	"encoding/xml"
	"fmt"

	"lapgate/gateway/handshake"
)

// Version of the address space and of its publication, and the standard nodes
// that it builds on.
const (
	spaceVersion = "1.0.0"
	published    = "2026-01-01T00:00:00Z"

	standardURI       = "http://opcfoundation.org/UA/"
	standardVersion   = "1.04"
	standardPublished = "2019-09-09T00:00:00Z"
)

// Nodes of the standard, all in its namespace 0.
const (
	objectsFolder    = "i=85"
	folderType       = "i=61"
	baseVariableType = "i=63"
	analogUnitType   = "i=17497"
	propertyType     = "i=68"
)

// Access levels: people only look, the gateway writes its own blocks.
const (
	mayRead      = 1
	mayReadWrite = 3
)

// Namespace is where the nodes of a line stand.
type Namespace struct {
	URI  string
	Line string
	// Block is the identifier of the variable that holds a block, for
	// handshake.OUT of one entry of the ring.
	Block func(line string, id handshake.ID, entry int) string
}

// NodeSet writes the address space of a line's controller over OPC UA as a
// NodeSet2 file: the blocks of the handshake as arrays of UInt16 and beside
// them typed variables in engineering units, for people who browse. The same
// namespace gives the same bytes.
func NodeSet(n Namespace) ([]byte, error) {
	s := newNodeSet(n.URI)
	root := s.own("i", "1")
	line := s.own("s", n.Line)
	s.folder(root, "Lapgate", "The lines of this server.", objectsFolder)
	s.folder(line, n.Line, "A line that wraps rolls.", root)
	blocks := s.own("s", n.Line+".Handshake")
	s.folder(blocks, "Handshake", "The blocks of the recipe handshake, as the registers hold them.", line)
	for _, id := range handshake.IDs() {
		s.blocks(n, id, blocks)
	}
	display := s.own("s", n.Line+".Display")
	s.folder(display, "Display", "The same in engineering units, for people. No decision is taken from it.", line)
	for _, v := range views() {
		folder := s.own("s", n.Line+".Display."+v.name)
		s.folder(folder, v.name, v.text, display)
		for _, d := range v.displays() {
			s.display(folder, d)
		}
	}
	text, err := xml.MarshalIndent(s, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("node set of line %s: %w", n.Line, err)
	}
	return append(append([]byte(xml.Header), text...), '\n'), nil
}

// nodeSet is the file, as far as it is needed.
type nodeSet struct {
	XMLName  xml.Name `xml:"UANodeSet"`
	Space    string   `xml:"xmlns,attr"`
	Modified string   `xml:"LastModified,attr"`
	URIs     []string `xml:"NamespaceUris>Uri"`
	Model    model    `xml:"Models>Model"`
	Aliases  []alias  `xml:"Aliases>Alias"`
	Nodes    []node
}

type model struct {
	URI       string `xml:"ModelUri,attr"`
	Version   string `xml:"Version,attr"`
	Published string `xml:"PublicationDate,attr"`
	Required  *model `xml:"RequiredModel"`
}

type alias struct {
	Name string `xml:"Alias,attr"`
	ID   string `xml:",chardata"`
}

type node struct {
	XMLName     xml.Name
	ID          string      `xml:"NodeId,attr"`
	Browse      string      `xml:"BrowseName,attr"`
	Parent      string      `xml:"ParentNodeId,attr"`
	DataType    string      `xml:"DataType,attr,omitempty"`
	Rank        int         `xml:"ValueRank,attr,omitempty"` // 1 for an array, left out for a single value
	Dimensions  int         `xml:"ArrayDimensions,attr,omitempty"`
	Access      int         `xml:"AccessLevel,attr,omitempty"`
	DisplayName string      `xml:"DisplayName"`
	Description string      `xml:"Description,omitempty"`
	References  []reference `xml:"References>Reference"`
	Value       *unitValue  `xml:"Value"`
}

type reference struct {
	Type    string `xml:"ReferenceType,attr"`
	Forward *bool  `xml:"IsForward,attr"` // nil for yes, as the standard has it
	Target  string `xml:",chardata"`
}

func newNodeSet(uri string) *nodeSet {
	return &nodeSet{
		Space:    "http://opcfoundation.org/UA/2011/03/UANodeSet.xsd",
		Modified: published,
		URIs:     []string{uri},
		Model: model{URI: uri, Version: spaceVersion, Published: published,
			Required: &model{URI: standardURI, Version: standardVersion, Published: standardPublished}},
		Aliases: []alias{
			{typeBoolean, "i=1"}, {typeUInt16, "i=5"}, {typeUInt32, "i=7"}, {typeDouble, "i=11"}, {typeString, "i=12"},
			{"Organizes", "i=35"}, {"HasTypeDefinition", "i=40"}, {"HasProperty", "i=46"}, {"HasComponent", "i=47"},
		},
	}
}

// own is an identifier in the namespace of the line, the first that the file
// names. The kind is i for a number and s for a string.
func (s *nodeSet) own(kind, id string) string { return "ns=1;" + kind + "=" + id }

func inverse(kind, to string) reference {
	no := false
	return reference{Type: kind, Forward: &no, Target: to}
}

func (s *nodeSet) folder(id, name, text, parent string) {
	kind := "HasComponent"
	if parent == objectsFolder {
		kind = "Organizes"
	}
	s.Nodes = append(s.Nodes, node{
		XMLName: xml.Name{Local: "UAObject"}, ID: id, Browse: "1:" + name, Parent: parent, DisplayName: name, Description: text,
		References: []reference{{Type: "HasTypeDefinition", Target: folderType}, inverse(kind, parent)},
	})
}

// variable is a node that holds a value, below a folder.
func (s *nodeSet) variable(id, name, text, parent, kind, dataType string) *node {
	s.Nodes = append(s.Nodes, node{
		XMLName: xml.Name{Local: "UAVariable"}, ID: id, Browse: "1:" + name, Parent: parent, DisplayName: name, Description: text,
		DataType: dataType, Access: mayRead,
		References: []reference{{Type: "HasTypeDefinition", Target: kind}, inverse("HasComponent", parent)},
	})
	return &s.Nodes[len(s.Nodes)-1]
}

// blocks adds the variable of a block, for the ring of outcomes one of each
// entry.
func (s *nodeSet) blocks(n Namespace, id handshake.ID, parent string) {
	entries := 1
	if id == handshake.OUT {
		entries = handshake.OutEntries
	}
	for e := range entries {
		text := fmt.Sprintf("Block %s, %s.", id, handshake.Fields(id)[0].Direction)
		if entries > 1 {
			text = fmt.Sprintf("Block %s, %s: the outcome whose number leaves %d when divided by %d.",
				id, handshake.Fields(id)[0].Direction, e, entries)
		}
		name := n.Block(n.Line, id, e)
		v := s.variable(s.own("s", name), browseName(n.Line, name), text, parent, baseVariableType, typeUInt16)
		v.Rank, v.Dimensions = 1, handshake.Words(id)
		if handshake.GatewayOwned(id) {
			v.Access = mayReadWrite
		}
	}
}

func (s *nodeSet) display(folder string, d display) {
	kind := baseVariableType
	if d.unit != nil {
		kind = analogUnitType
	}
	id := folder + "." + d.name
	v := s.variable(id, d.name, d.text, folder, kind, d.dataType)
	if d.unit == nil {
		return
	}
	v.References = append(v.References, reference{Type: "HasProperty", Target: id + ".EngineeringUnits"})
	s.Nodes = append(s.Nodes, node{
		XMLName: xml.Name{Local: "UAVariable"}, ID: id + ".EngineeringUnits", Browse: "EngineeringUnits", Parent: id,
		DataType: unitType, DisplayName: "EngineeringUnits",
		References: []reference{{Type: "HasTypeDefinition", Target: propertyType}, inverse("HasProperty", id)},
		Value:      d.unit.value(),
	})
}
