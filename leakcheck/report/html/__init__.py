"""Self-contained web pages: what they have in common, and the page of each command.

A page is one HTML file: style, script and pictures are inside, and nothing is loaded from
outside (its Content-Security-Policy forbids it). To make another one:

1. a template `NAME.html.jinja` in this folder that extends `base.html.jinja` and fills its blocks
   `title`, `verdict` and `main`; the macros of `parts.html.jinja` draw what pages share;
2. a module that turns a result into small frozen dataclasses of strings, numbers and `Embedded`
   pictures and calls `page.render("NAME.html.jinja", ...)`, which gives the file's bytes.

Everything that is put into a template is escaped. Names that come from files go through the filter
`name` (a name alone) or `words` (a sentence with "names" in quotes), which keep right-to-left
text and control characters to themselves. Pictures go in through `pictures.embedded`, within a
budget of bytes. Colours, sizes and print rules are in `style.css`, the little that moves is in
`page.js`; a page without its script still shows everything.
"""
