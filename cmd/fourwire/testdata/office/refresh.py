# Opens a document in a LibreOffice that listens on a pipe, lets it refresh what is linked, and prints tabs as JSON:
#   refresh.py PIPE FILE
import json
import sys
import time

import uno
from com.sun.star.beans import PropertyValue
from com.sun.star.document.UpdateDocMode import FULL_UPDATE


def value(name, content):
    out = PropertyValue()
    out.Name, out.Value = name, content
    return out


def desktop(pipe):
    local = uno.getComponentContext()
    resolver = local.ServiceManager.createInstanceWithContext("com.sun.star.bridge.UnoUrlResolver", local)
    for _ in range(300):
        try:
            there = resolver.resolve("uno:pipe,name=%s;urp;StarOffice.ComponentContext" % pipe)
            return there.ServiceManager.createInstanceWithContext("com.sun.star.frame.Desktop", there)
        except Exception:  # it is still starting
            time.sleep(0.1)
    sys.exit("the spreadsheet does not answer")


office = desktop(sys.argv[1])
document = office.loadComponentFromURL(uno.systemPathToFileUrl(sys.argv[2]), "_blank", 0, (value("Hidden", True), value("UpdateDocMode", FULL_UPDATE)))
tabs = {}
for tab in document.Sheets:
    cursor = tab.createCursor()
    cursor.gotoEndOfUsedArea(False)
    used = tab.getCellRangeByPosition(0, 0, cursor.RangeAddress.EndColumn, cursor.RangeAddress.EndRow)
    tabs[tab.Name] = [list(row) for row in used.DataArray]
print(json.dumps(tabs))
document.close(True)
try:
    office.terminate()
except Exception:  # it is gone before it answers
    pass
