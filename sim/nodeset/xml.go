package nodeset

import (
	"encoding/xml"
	"fmt"
	"strings"
)

// Version of the model, of its publication, and of the standard nodes that it
// builds on.
const (
	Version     = "1.0.0"
	Publication = "2026-01-01T00:00:00Z"

	coreURI         = "http://opcfoundation.org/UA/"
	coreVersion     = "1.04"
	corePublication = "2019-09-09T00:00:00Z"
	unitsURI        = "http://www.opcfoundation.org/UA/units/un/cefact"
)

// Standard nodes, in namespace 0.
const (
	objectsFolder   = "i=85"
	folderType      = "i=61"
	baseVariable    = "i=63"
	analogUnitType  = "i=17497"
	propertyType    = "i=68"
	euInformation   = "i=887"
	euEncodingXML   = "i=888"
	accessRead      = 1
	accessReadWrite = 3
)

// XML writes the space of a line as a NodeSet2 file. The same line gives the
// same bytes.
func XML(line string) []byte {
	w := &writer{line: line}
	w.put(`<?xml version="1.0" encoding="utf-8"?>` + "\n")
	w.put(`<UANodeSet xmlns="http://opcfoundation.org/UA/2011/03/UANodeSet.xsd" LastModified="` + Publication + "\">\n")
	w.put("  <NamespaceUris>\n    <Uri>" + URI + "</Uri>\n  </NamespaceUris>\n")
	w.put("  <Models>\n    <Model ModelUri=\"" + URI + "\" Version=\"" + Version + "\" PublicationDate=\"" + Publication + "\">\n")
	w.put("      <RequiredModel ModelUri=\"" + coreURI + "\" Version=\"" + coreVersion + "\" PublicationDate=\"" + corePublication + "\" />\n")
	w.put("    </Model>\n  </Models>\n  <Aliases>\n")
	for _, a := range [][2]string{
		{"Boolean", "i=1"}, {"UInt16", "i=5"}, {"UInt32", "i=7"}, {"Double", "i=11"}, {"String", "i=12"},
		{"Organizes", "i=35"}, {"HasTypeDefinition", "i=40"}, {"HasProperty", "i=46"}, {"HasComponent", "i=47"},
	} {
		w.put(`    <Alias Alias="` + a[0] + `">` + a[1] + "</Alias>\n")
	}
	w.put("  </Aliases>\n")

	root := fmt.Sprintf("ns=1;i=%d", RootID)
	own := func(id string) string { return "ns=1;s=" + id }
	w.folder(root, RootName, "The lines of this server.", objectsFolder)
	w.folder(own(line), line, "A line that wraps rolls.", root)
	w.folder(own(line+"."+HandshakeName), HandshakeName, "The blocks of the recipe handshake, as the registers hold them.", own(line))
	for _, b := range Blocks() {
		access := accessRead
		if b.Writable {
			access = accessReadWrite
		}
		w.variable(variable{
			id: own(b.NodeID(line)), browse: b.Browse, text: b.Text, parent: own(line + "." + HandshakeName),
			dataType: "UInt16", words: b.Words, access: access, kind: baseVariable,
		})
	}
	w.folder(own(line+"."+DisplayName), DisplayName, "The same in engineering units, for people. No decision is taken from it.", own(line))
	displays := Displays()
	for _, v := range views() {
		parent := own(line + "." + DisplayName + "." + string(v))
		w.folder(parent, string(v), v.text(), own(line+"."+DisplayName))
		for i := range displays {
			if d := &displays[i]; d.View == v {
				kind := baseVariable
				if d.Unit != "" {
					kind = analogUnitType
				}
				w.variable(variable{
					id: own(d.NodeID(line)), browse: d.Name, text: d.Text, parent: parent,
					dataType: d.dataType(), access: accessRead, kind: kind, unit: d.Unit,
				})
			}
		}
	}
	w.put("</UANodeSet>\n")
	return []byte(w.b.String())
}

type writer struct {
	line string
	b    strings.Builder
}

func (w *writer) put(s string) { w.b.WriteString(s) }

func escaped(s string) string {
	var b strings.Builder
	// A strings.Builder takes every write.
	_ = xml.EscapeText(&b, []byte(s))
	return b.String()
}

func (w *writer) texts(display, description string) {
	w.put("    <DisplayName>" + escaped(display) + "</DisplayName>\n")
	w.put("    <Description>" + escaped(description) + "</Description>\n")
}

func (w *writer) folder(id, browse, text, parent string) {
	ref := "HasComponent"
	if parent == objectsFolder {
		ref = "Organizes"
	}
	w.put(fmt.Sprintf("  <UAObject NodeId=\"%s\" BrowseName=\"1:%s\" ParentNodeId=\"%s\">\n", escaped(id), escaped(browse), escaped(parent)))
	w.texts(browse, text)
	w.put("    <References>\n")
	w.reference("HasTypeDefinition", folderType)
	w.inverse(ref, parent)
	w.put("    </References>\n  </UAObject>\n")
}

func (w *writer) reference(kind, to string) {
	w.put(fmt.Sprintf("      <Reference ReferenceType=\"%s\">%s</Reference>\n", kind, escaped(to)))
}

func (w *writer) inverse(kind, to string) {
	w.put(fmt.Sprintf("      <Reference ReferenceType=\"%s\" IsForward=\"false\">%s</Reference>\n", kind, escaped(to)))
}

type variable struct {
	id, browse, text, parent string
	dataType                 string
	words                    int // 0 for a scalar
	access                   int
	kind                     string
	unit                     string
}

func (w *writer) variable(v variable) {
	shape := ""
	if v.words > 0 {
		shape = fmt.Sprintf(" ValueRank=\"1\" ArrayDimensions=\"%d\"", v.words)
	}
	w.put(fmt.Sprintf("  <UAVariable NodeId=\"%s\" BrowseName=\"1:%s\" ParentNodeId=\"%s\" DataType=\"%s\"%s AccessLevel=\"%d\">\n",
		escaped(v.id), escaped(v.browse), escaped(v.parent), v.dataType, shape, v.access))
	w.texts(v.browse, v.text)
	w.put("    <References>\n")
	w.reference("HasTypeDefinition", v.kind)
	w.inverse("HasComponent", v.parent)
	unit := v.id + ".EngineeringUnits"
	if v.unit != "" {
		w.reference("HasProperty", unit)
	}
	w.put("    </References>\n  </UAVariable>\n")
	if v.unit == "" {
		return
	}
	code, name := unitCode(v.unit)
	w.put(fmt.Sprintf("  <UAVariable NodeId=\"%s\" BrowseName=\"EngineeringUnits\" ParentNodeId=\"%s\" DataType=\"%s\">\n",
		escaped(unit), escaped(v.id), euInformation))
	w.put("    <DisplayName>EngineeringUnits</DisplayName>\n    <References>\n")
	w.reference("HasTypeDefinition", propertyType)
	w.inverse("HasProperty", v.id)
	w.put("    </References>\n    <Value>\n")
	w.put("      <ExtensionObject xmlns=\"http://opcfoundation.org/UA/2008/02/Types.xsd\">\n")
	w.put("        <TypeId><Identifier>" + euEncodingXML + "</Identifier></TypeId>\n        <Body>\n")
	w.put(fmt.Sprintf("          <EUInformation><NamespaceUri>%s</NamespaceUri><UnitId>%d</UnitId>"+
		"<DisplayName><Text>%s</Text></DisplayName><Description><Text>%s</Text></Description></EUInformation>\n",
		unitsURI, unitID(code), v.unit, name))
	w.put("        </Body>\n      </ExtensionObject>\n    </Value>\n  </UAVariable>\n")
}
