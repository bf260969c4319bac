package opcua

import (
	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// dataTypes are the types of the standard that the variables of a controller have: those of
// OPC UA Part 6, table 1, and the ones of Part 3 and Part 8 that derive from them. The library
// has a name for each of the 20,000 nodes of the standard instead, which would take 2 MB of the
// program and 1 MB of every process.
var dataTypes = [...]struct {
	id   uint32
	name string
}{
	{id.Boolean, "Boolean"}, {id.SByte, "SByte"}, {id.Byte, "Byte"}, {id.Int16, "Int16"}, {id.UInt16, "UInt16"},
	{id.Int32, "Int32"}, {id.UInt32, "UInt32"}, {id.Int64, "Int64"}, {id.UInt64, "UInt64"}, {id.Float, "Float"},
	{id.Double, "Double"}, {id.String, "String"}, {id.DateTime, "DateTime"}, {id.GUID, "GUID"}, {id.ByteString, "ByteString"},
	{id.XMLElement, "XMLElement"}, {id.NodeID, "NodeID"}, {id.ExpandedNodeID, "ExpandedNodeID"}, {id.StatusCode, "StatusCode"},
	{id.QualifiedName, "QualifiedName"}, {id.LocalizedText, "LocalizedText"}, {id.Structure, "Structure"},
	{id.DataValue, "DataValue"}, {id.BaseDataType, "BaseDataType"}, {id.DiagnosticInfo, "DiagnosticInfo"},
	{id.Number, "Number"}, {id.Integer, "Integer"}, {id.UInteger, "UInteger"}, {id.Enumeration, "Enumeration"},
	{id.Decimal, "Decimal"}, {id.Counter, "Counter"}, {id.Duration, "Duration"}, {id.UtcTime, "UtcTime"},
	{id.LocaleID, "LocaleID"}, {id.ServerState, "ServerState"}, {id.ServerStatusDataType, "ServerStatusDataType"},
	{id.BuildInfo, "BuildInfo"}, {id.Range, "Range"}, {id.EUInformation, "EUInformation"}, {id.BitFieldMaskDataType, "BitFieldMaskDataType"},
}

// dataTypeName is how a type of data is called, or its identifier where it is none of dataTypes.
func dataTypeName(t *ua.NodeID) string {
	if t.Namespace() == 0 {
		for _, d := range dataTypes {
			if d.id == t.IntID() {
				return d.name
			}
		}
	}
	return t.String()
}
