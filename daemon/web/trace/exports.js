export { traceViewer };
